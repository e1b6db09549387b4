"""What sees a mutant: the bit-exact comparison, else the proof; each in a process of its own."""

from __future__ import annotations

import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from enum import Enum
from multiprocessing.connection import Connection

from pycparser import c_ast, c_generator

from halfcycle.prove.c_operators import NotUnderstoodError
from halfcycle.prove.c_source import Source, parse
from halfcycle.prove.equal_calls import shown
from halfcycle.prove.equality import Example, prove_equal
from halfcycle.prove.paths import BeyondError
from halfcycle.prove.replay import Replay, compared
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALL_NAMES
from halfcycle.regulator.turn import TURN_CALL_NAMES, call_names
from halfcycle.verify import compiler
from halfcycle.verify.compare import call_once, verify

SAMPLES = 60_000
FLAGS = ("-O0",)
LIMIT_S = 60.0
"""A mutant that takes longer does not return: noticed."""
PROOF_LIMIT_S = 900.0
INT_BITS = 32
"""The width of the machine that the comparison runs on."""


@dataclass(frozen=True, slots=True)
class Work:
    """What the model follows, the C beside it, and the C that it was made from."""

    plan: Plan
    texts: dict[str, str]
    original: dict[str, str]
    """The same as ``texts`` if the Plan is the mutant."""


class Seen(Enum):
    """How a mutant ends; all but the last are as they should be."""

    NOT_COMPILED = "not compiled"
    NOTICED = "noticed by the comparison"
    REFUSED = "right when run here, and refused by the proof: undefined, or out of order"
    SAME_CODE = "an optimising compiler makes the same code of it"
    EQUIVALENT = "proven equal to the model on every input"
    UNNOTICED = "not noticed"


@dataclass(frozen=True, slots=True)
class Verdict:
    seen: Seen
    detail: str = ""


def judge_all(
    work: Sequence[Work], processes: int = 2, seconds: float | None = None
) -> Iterator[Verdict]:
    """A verdict for each, in order, as far as ``seconds`` go (without: all). Builds go to a folder
    that is gone afterwards."""
    before = os.environ.get("XDG_CACHE_HOME")
    ends = None if seconds is None else time.monotonic() + seconds
    with tempfile.TemporaryDirectory() as folder:
        os.environ["XDG_CACHE_HOME"] = folder
        try:
            # Processes, not threads: each forks a child, and a fork among threads may hang.
            with ProcessPoolExecutor(processes) as pool:
                step = 8 * processes
                for start in range(0, len(work), step):
                    if ends is not None and time.monotonic() > ends:
                        return
                    yield from pool.map(judge, work[start : start + step])
        finally:
            if before is None:
                del os.environ["XDG_CACHE_HOME"]
            else:
                os.environ["XDG_CACHE_HOME"] = before


def judge(work: Work) -> Verdict:
    """Compare one in a child process, and prove it there if it passes."""
    verdict = _in_child(_compared, work, LIMIT_S, Seen.NOTICED)
    if verdict.seen is Seen.UNNOTICED:
        return _in_child(_proven, work, PROOF_LIMIT_S, Seen.UNNOTICED)
    return verdict


def _in_child(
    target: Callable[[Connection, Work], None], work: Work, limit_s: float, lost: Seen
) -> Verdict:
    context = multiprocessing.get_context("fork")
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=target, args=(sender, work), daemon=True)
    child.start()
    sender.close()
    try:
        if not receiver.poll(limit_s):
            return Verdict(lost, f"does not return within {limit_s:.0f} s")
        answer: Verdict = receiver.recv()
        return answer
    except EOFError:
        child.join(10)
        return Verdict(lost, f"crashes (exit status {child.exitcode})")
    finally:
        receiver.close()
        child.kill()
        child.join()


def _compared(sender: Connection, work: Work) -> None:
    try:
        mismatch = verify(work.plan, work.texts, samples=SAMPLES, flags=FLAGS).mismatch
    except compiler.CompileError as error:
        sender.send(Verdict(Seen.NOT_COMPILED, str(error)))
    except (ValueError, IndexError, OverflowError, ZeroDivisionError) as error:
        # The model itself cannot run on a mutated Plan.
        sender.send(Verdict(Seen.NOTICED, f"the model refuses: {error}"))
    else:
        seen = Seen.UNNOTICED if mismatch is None else Seen.NOTICED
        sender.send(Verdict(seen, "" if mismatch is None else str(mismatch)))


def _proven(sender: Connection, work: Work) -> None:
    """Whether it is equal: only the calls that the mutant can change are proven again."""
    name = f"{work.plan.name}.c"
    try:
        source = parse(work.texts, name, INT_BITS)
        calls = changed_calls(parse(work.original, name, INT_BITS), source)
        faults: list[str] = []
        for call in call_names(work.plan) if work.texts == work.original else calls:
            outcome = prove_equal(work.plan, source, call=call)
            if not outcome.equal:
                verdict, example = None, outcome.example
                if example is not None:
                    got = call_once(
                        work.plan,
                        work.texts,
                        call=call,
                        state=example.state,
                        argument=example.argument,
                    )
                    verdict = shown_by(call, example, compared(work.plan, call, example, got))
                why = f"{call}: {outcome.undecided or example}"
                # Of a Plan whose ranges are too narrow for its C.
                seen = Seen.REFUSED if isinstance(outcome.cause, BeyondError) else Seen.UNNOTICED
                sender.send(verdict or Verdict(seen, why))
                return
            faults += outcome.faults
    except NotUnderstoodError as error:
        sender.send(Verdict(Seen.UNNOTICED, str(error)))
    else:
        seen = Seen.REFUSED if faults else Seen.EQUIVALENT
        sender.send(Verdict(seen, "; ".join(faults)))


def shown_by(call: str, example: Example, replay: Replay) -> Verdict | None:
    """Of a mutant that the comparison did not notice, by an example of the proof that was run; None
    if the example shows nothing, as both sides did the same there."""
    if replay.field or replay.trouble:
        return Verdict(Seen.UNNOTICED, f"{call}: {example.why}, with {shown(call, example)}")
    if example.undefined:
        return Verdict(Seen.REFUSED, f"{call}: {example.why}")
    return None


def changed_calls(before: Source, after: Source) -> list[str]:
    """The calls of the interface that run a function which differs, in order of the interface."""
    if (before.tables, before.declared) != (after.tables, after.declared):
        return list(_calls(after))
    write = c_generator.CGenerator().visit
    changed = {
        name
        for name in after.functions
        if name not in before.functions
        or write(before.functions[name]) != write(after.functions[name])
    }
    if after.functions.keys() != before.functions.keys():
        return list(_calls(after))
    prefix = after.struct.removesuffix("state")
    return [call for call in _calls(after) if _reached(after, f"{prefix}{call}") & changed]


def _calls(source: Source) -> list[str]:
    """The calls of the interface that there are."""
    prefix = source.struct.removesuffix("state")
    every = (*CALL_NAMES, *TURN_CALL_NAMES)
    return [call for call in every if f"{prefix}{call}" in source.functions]


def _reached(source: Source, name: str) -> set[str]:
    reached: set[str] = set()
    waiting = [name]
    while waiting:
        function = waiting.pop()
        if function in source.functions and function not in reached:
            reached.add(function)
            waiting += _called(source.functions[function])
    return reached


def _called(node: c_ast.Node) -> list[str]:
    calls: list[str] = []

    class Visitor(c_ast.NodeVisitor):
        def visit_FuncCall(self, call: c_ast.FuncCall) -> None:
            calls.append(getattr(call.name, "name", ""))
            self.generic_visit(call)

    Visitor().visit(node)
    return calls
