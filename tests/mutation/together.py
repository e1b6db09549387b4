"""The comparison of many mutants of one C: compiled together, each run in a forked child."""

from __future__ import annotations

import faulthandler
import multiprocessing
import os
import resource
import signal
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from halfcycle.regulator.plan import Plan
from halfcycle.verify.harness import Harness
from mutation import recording, schemata
from mutation.judge import FLAGS, SAMPLES
from mutation.mutants import Mutant
from mutation.recording import Group

SIZE = 500
"""Mutants of one translation unit."""
LIMIT = 10
"""A mutant that takes so many times as long as the C itself does not return: noticed."""
LIMIT_LEAST_S = 1.0
NONE = -1
"""The number of no mutant."""
SEEN, PASSED = 100, 99
"""Exit statuses of a child: ``SEEN`` plus the number of the group that saw it."""


@dataclass(frozen=True, slots=True)
class Compared:
    """How the comparison of one mutant ended."""

    compiles: bool = True
    noticed_by: str = ""
    """A scenario, or what ended the process; "" if it passed."""


class _Selectable(Harness):
    """A harness of C with many mutants in it."""

    def __init__(self, plan: Plan, generated: Mapping[str, str], flags: Sequence[str]) -> None:
        super().__init__(plan, generated, flags)
        self._ffi.cdef(f"void {schemata.SELECT}(int number);")

    def select(self, number: int) -> None:
        """Make it the C of this mutant."""
        getattr(self._lib, schemata.SELECT)(number)


def record(plan: Plan, texts: Mapping[str, str], samples: int = SAMPLES) -> list[Group]:
    """What the C must do, cheap groups first."""
    groups = recording.record(plan, Harness(plan, texts, FLAGS), samples)
    return sorted(groups, key=lambda group: group.seconds)


def compare_all(
    plan: Plan,
    texts: Mapping[str, str],
    mutants: Sequence[Mutant],
    processes: int,
    samples: int = SAMPLES,
) -> Iterator[Compared]:
    """How each of the mutants ends, in order."""
    global _GROUPS  # noqa: PLW0603 (the children of the pool inherit it: too much to send)
    _GROUPS = record(plan, texts, samples)
    context = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        work = [(plan, dict(texts), numbered) for numbered in schemata.chunks(mutants, SIZE)]
        for ended in pool.map(_compare_chunk, work):
            yield from ended


_GROUPS: list[Group] = []


def _compare_chunk(work: tuple[Plan, dict[str, str], dict[int, Mutant]]) -> list[Compared]:
    plan, texts, numbered = work
    name = f"{plan.name}.c"
    refused = schemata.refused(texts, name, numbered)
    left = {number: mutant for number, mutant in numbered.items() if number not in refused}
    with_all = {**texts, name: schemata.schema(texts[name], left)}
    harness = _Selectable(plan, with_all, ("-w", *FLAGS))
    kills: Counter[str] = Counter()
    # None of them picked it must pass: then what ends otherwise is the mutant's doing.
    itself = _compare_one(harness, NONE, kills)
    assert itself == Compared(), itself
    return [
        Compared(compiles=False) if number in refused else _compare_one(harness, number, kills)
        for number in numbered
    ]


def _compare_one(harness: _Selectable, number: int, kills: Counter[str]) -> Compared:
    groups = sorted(_GROUPS, key=lambda group: -kills[group.name] / (group.seconds + 1e-4))
    child = os.fork()
    if child == 0:
        _run(harness, number, groups)
    status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if status == PASSED:
        return Compared()
    if status == -signal.SIGVTALRM:
        return Compared(noticed_by="does not return")
    if status < SEEN:
        return Compared(noticed_by=f"crashes (exit status {status})")
    name = groups[status - SEEN].name
    kills[name] += 1
    return Compared(noticed_by=name)


def _run(harness: _Selectable, number: int, groups: Sequence[Group]) -> None:
    """Ends the process."""
    status = 1
    try:
        faulthandler.disable()
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        # In time of the processor, whatever else it does; the signal ends C that does not return.
        signal.signal(signal.SIGVTALRM, signal.SIG_DFL)
        whole = sum(group.seconds for group in groups)
        signal.setitimer(signal.ITIMER_VIRTUAL, LIMIT_LEAST_S + LIMIT * whole)
        harness.select(number)
        unmet = recording.first_unmet(groups, harness)
        status = PASSED if unmet is None else SEEN + unmet
    finally:
        os._exit(status)
