"""Signals that end a program: turned into an exception that cleans up, or made to wait."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

ENDING = tuple(
    number
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    if (number := getattr(signal, name, None)) is not None
)
"""The signals that ask a program to end and that it can catch."""


class StoppedError(BaseException):
    """The program was asked to end by the signal ``number``."""

    def __init__(self, number: int) -> None:
        self.number = number
        super().__init__(signal.Signals(number).name)


@contextlib.contextmanager
def raised() -> Iterator[None]:
    """Let the ending signals raise StoppedError in the main thread during the block, so that every
    ``finally`` is run. A signal that the caller had ignored (``nohup``) stays so."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in ENDING}
    taken = [number for number in ENDING if before[number] not in (signal.SIG_IGN, None)]
    try:
        for number in taken:
            signal.signal(number, _stop)
        yield
    finally:
        for number in taken:
            signal.signal(number, before[number])


def _stop(number: int, frame: FrameType | None) -> None:
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
