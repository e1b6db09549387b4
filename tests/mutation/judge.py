"""Whether the bit-exact comparison notices a mutant: each in a process of its own, with a limit."""

from __future__ import annotations

import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing.connection import Connection

from halfcycle.regulator.plan import Plan
from halfcycle.verify import compiler
from halfcycle.verify.compare import verify

SAMPLES = 60_000
LIMIT_S = 60.0
"""A mutant that takes longer does not return: noticed."""

Work = tuple[Plan, dict[str, str]]
"""What the model follows, and the C beside it."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """``noticed``: None where the mutant does not compile and so does not count."""

    noticed: bool | None
    detail: str


def judge_all(work: Sequence[Work], processes: int = 2) -> Iterator[Verdict]:
    """A verdict for each, in order. Builds go to a folder that is gone afterwards."""
    before = os.environ.get("XDG_CACHE_HOME")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"] = folder
        try:
            # Processes, not threads: each forks a child, and a fork among threads may hang.
            with ProcessPoolExecutor(processes) as pool:
                yield from pool.map(judge, work, chunksize=4)
        finally:
            if before is None:
                del os.environ["XDG_CACHE_HOME"]
            else:
                os.environ["XDG_CACHE_HOME"] = before


def judge(work: Work) -> Verdict:
    """Compare one in a child process."""
    context = multiprocessing.get_context("fork")
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(sender, *work), daemon=True)
    child.start()
    sender.close()
    try:
        if not receiver.poll(LIMIT_S):
            return Verdict(True, f"does not return within {LIMIT_S:.0f} s")
        return receiver.recv()
    except EOFError:
        child.join(10)
        return Verdict(True, f"crashes (exit status {child.exitcode})")
    finally:
        receiver.close()
        child.kill()
        child.join()


def _child(sender: Connection, plan: Plan, texts: dict[str, str]) -> None:
    answer: Callable[[Verdict], None] = sender.send
    try:
        mismatch = verify(plan, texts, samples=SAMPLES, flags=("-O0",)).mismatch
    except compiler.CompileError as error:
        answer(Verdict(None, str(error)))
    except (ValueError, IndexError, OverflowError, ZeroDivisionError) as error:
        # The model itself cannot run on a mutated Plan.
        answer(Verdict(True, f"the model refuses: {error}"))
    else:
        answer(Verdict(mismatch is not None, "" if mismatch is None else str(mismatch)))
