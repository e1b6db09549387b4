"""Signals that end a program: turned into an exception that cleans up, or made to wait."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from types import FrameType

ENDING = tuple(
    number
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    if (number := getattr(signal, name, None)) is not None
)
"""The signals that ask a program to end and that it can catch."""


_asked: list[int] = []
"""The ending signals that came since ``raised`` began: an exception is dropped by Python if it is
raised in a finaliser or in a weak reference's callback, and this remembers it."""


class StoppedError(BaseException):
    """The program was asked to end by the signal ``number``."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(signal.Signals(number).name)


@contextlib.contextmanager
def raised() -> Iterator[None]:
    """Let the ending signals raise StoppedError in the main thread during the block, so that every
    ``finally`` is run. A signal that the caller had ignored (``nohup``) stays so.

    One that Python drops, as it came in a finaliser, is raised at the next ``look``, which is
    before each write, or at the end of the block.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in ENDING}
    taken = [number for number in ENDING if before[number] not in (signal.SIG_IGN, None)]
    unraisable = sys.unraisablehook

    def dropped(told: sys.UnraisableHookArgs) -> None:
        if not isinstance(told.exc_value, StoppedError):
            unraisable(told)

    _asked.clear()
    sys.unraisablehook = dropped
    try:
        for number in taken:
            signal.signal(number, _stop)
        yield
        look()
    finally:
        for number in taken:
            signal.signal(number, before[number])
        sys.unraisablehook = unraisable


def look() -> None:
    """Raise StoppedError if a signal has asked the program to end, even if Python dropped that."""
    if _asked:
        raise StoppedError(_asked[0])


def _stop(number: int, frame: FrameType | None) -> None:
    _asked.append(number)
    raise StoppedError(number)


@contextlib.contextmanager
def deferred() -> Iterator[None]:
    """Let the ending signals wait until the block has ended; then the first of them acts.

    In the main thread, the only one where Python acts on them; elsewhere nothing is changed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    waiting: list[int] = []
    before = {number: signal.getsignal(number) for number in ENDING}
    caught = [number for number, handler in before.items() if handler is not None]
    try:
        for number in caught:
            if before[number] != signal.SIG_IGN:
                signal.signal(number, lambda got, _: waiting.append(got))
        yield
    finally:
        for number in caught:
            signal.signal(number, before[number])
        for number in waiting[:1]:
            signal.raise_signal(number)
