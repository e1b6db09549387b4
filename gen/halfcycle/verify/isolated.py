"""The bit-exact comparison in a process of its own: for C that nobody vouches for.

A hand-edited file may crash, never return, fill the memory or print without end; that must cost the
caller no more than a message. It protects nothing else: the C runs with the rights of the caller.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any, TypeVar

from halfcycle.base.errors import InputError, ToolMissingError
from halfcycle.regulator.plan import Plan
from halfcycle.verify import compiler, harness
from halfcycle.verify.compare import Batch, Verification, call_once, replay, verify

PATIENCE_S = 60.0
SAMPLES_PER_S = 100_000
"""Far below what any machine reaches; what takes longer than this allows does not return."""
MAX_MEMORY_BYTES = 8 << 30
MAX_FILE_BYTES = 256 << 20

_REMEDY = "undo the edit, or generate it again"
_BUSY = "; if this machine is busy with other work, check again"


_T = TypeVar("_T")


class ProcessLostError(Exception):
    """The C crashed, did not return, or broke the comparison; the text says which."""


@dataclass(frozen=True, slots=True)
class _Answer:
    """What the child's work returned, told from what it raised."""

    value: Any


def verify_apart(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    samples: int,
    seed: int,
    scenario: str | None = None,
    patience_s: float | None = None,
) -> Verification:
    """``compare.verify`` in a child process; raises ProcessLostError if that dies or does not end.

    ``patience_s``: seconds until it is ended; None: by the number of samples. Raises
    ToolMissingError, InputError and CompileError as verify itself does.
    """
    chosen = {"samples": samples, "seed": seed, "scenario": scenario}
    return _apart(verify, plan, generated, chosen, _patience(samples, patience_s))


def replay_apart(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    samples: int,
    seed: int,
    scenario: str,
    tick: int,
    patience_s: float | None = None,
) -> tuple[Batch, int] | None:
    """``compare.replay`` in a child process; all else as ``verify_apart``."""
    chosen = {"samples": samples, "seed": seed, "scenario": scenario, "tick": tick}
    return _apart(replay, plan, generated, chosen, _patience(samples, patience_s))


def call_apart(
    plan: Plan,
    generated: Mapping[str, str],
    *,
    call: str,
    state: Mapping[str, int],
    argument: int | None,
) -> dict[str, int]:
    """``compare.call_once`` in a child process; raises as ``verify_apart`` does."""
    chosen = {"call": call, "state": dict(state), "argument": argument}
    return _apart(call_once, plan, generated, chosen, PATIENCE_S)


def _patience(samples: int, patience_s: float | None) -> float:
    return PATIENCE_S + samples / SAMPLES_PER_S if patience_s is None else patience_s


def _apart(
    work: Callable[..., _T],
    plan: Plan,
    generated: Mapping[str, str],
    chosen: Mapping[str, Any],
    allowed: float,
) -> _T:
    """What ``work`` returns in a child process, which has ``allowed`` seconds for it."""
    # Compiled here, where the compiler has its limits; the child finds the result in the cache.
    compiler.build_shared(*harness.sources(plan, generated))
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(
        target=_child,
        args=(sender, work, plan, dict(generated)),
        kwargs=dict(chosen),
        daemon=True,
    )
    child.start()
    sender.close()
    try:
        if not receiver.poll(allowed):
            raise ProcessLostError(f"the C did not return within {allowed:.0f} s; {_REMEDY}{_BUSY}")
        try:
            answer = receiver.recv()
        except EOFError:
            child.join(10)
            raise ProcessLostError(
                f"the C crashed (exit status {child.exitcode}); {_REMEDY}"
            ) from None
    finally:
        receiver.close()
        _end_all(child)
    if isinstance(answer, (ToolMissingError, InputError, compiler.CompileError)):
        raise answer
    if not isinstance(answer, _Answer):
        raise ProcessLostError(f"the C broke the comparison ({answer}); {_REMEDY}")
    result: _T = answer.value
    return result


def _end_all(child: multiprocessing.process.BaseProcess) -> None:
    """End the child and what it started."""
    if sys.platform != "win32" and child.pid is not None:
        with contextlib.suppress(OSError):
            os.killpg(child.pid, signal.SIGKILL)
    child.kill()
    child.join()


def _child(
    sender: Connection,
    work: Callable[..., object],
    plan: Plan,
    generated: dict[str, str],
    **chosen: Any,
) -> None:
    _limit()
    try:
        sender.send(_Answer(work(plan, generated, **chosen)))
    except (ToolMissingError, InputError, compiler.CompileError) as error:
        sender.send(error)
    except Exception as error:
        sender.send(f"{type(error).__name__}: {error}")


def _limit() -> None:
    """A session of its own, nothing to read, nowhere to print to, and no memory without end."""
    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nothing, stream)
    if sys.platform == "win32":
        return
    import resource  # noqa: PLC0415

    os.setsid()
    limits = (
        (resource.RLIMIT_AS, MAX_MEMORY_BYTES),
        (resource.RLIMIT_FSIZE, MAX_FILE_BYTES),
        (resource.RLIMIT_CORE, 0),
    )
    for kind, most in limits:
        with contextlib.suppress(OSError, ValueError):
            hard = resource.getrlimit(kind)[1]
            value = most if hard == resource.RLIM_INFINITY else min(most, hard)
            resource.setrlimit(kind, (value, value))
