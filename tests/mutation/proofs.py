"""The proof of many mutants of one C: those of one function beside each other, as they share the
model's run and what the solver says of a path."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass

from halfcycle.prove.c_operators import NotUnderstoodError, UnsetError
from halfcycle.prove.c_source import Source, parse
from halfcycle.prove.equality import prove_equal
from halfcycle.prove.pure_proof import is_proven, pure_of
from halfcycle.prove.replay import tried
from halfcycle.regulator.plan import Plan
from mutation import schemata
from mutation.judge import INT_BITS, Seen, Verdict, changed_calls, shown_by
from mutation.mutants import Mutant

LIMIT_S = 3600.0
"""Seconds for one call of as many mutants as are proven together."""
TOGETHER = 10


@dataclass(frozen=True, slots=True)
class Work:
    """Mutants of one function, by their numbers."""

    plan: Plan
    texts: dict[str, str]
    function: str
    numbered: dict[int, Mutant]

    def changed(self, number: int) -> dict[str, str]:
        """The files with this mutant."""
        name = f"{self.plan.name}.c"
        return {**self.texts, name: self.numbered[number].apply(self.texts[name])}


def prove_all(
    plan: Plan,
    texts: Mapping[str, str],
    numbered: Mapping[int, Mutant],
    processes: int,
    ends: float | None = None,
) -> Iterator[tuple[int, Verdict]]:
    """Number and verdict of each, in any order; none of them was noticed by the comparison.
    ``ends``: begin no more when ``time.monotonic`` is there."""
    context = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(processes, mp_context=context) as pool:
        waiting = [
            pool.submit(_prove_some, work, ends) for work in _grouped(plan, dict(texts), numbered)
        ]
        for future in as_completed(waiting):
            yield from future.result().items()


def _grouped(plan: Plan, texts: dict[str, str], numbered: Mapping[int, Mutant]) -> Iterator[Work]:
    for part in schemata.parts(texts[f"{plan.name}.c"]):
        own = [number for number, mutant in numbered.items() if part.holds(mutant)]
        for start in range(0, len(own), TOGETHER):
            chosen = {number: numbered[number] for number in own[start : start + TOGETHER]}
            yield Work(plan, texts, part.name, chosen)


def _prove_some(work: Work, ends: float | None = None) -> dict[int, Verdict]:
    if ends is not None and time.monotonic() > ends:
        return {}
    name = f"{work.plan.name}.c"
    original = parse(work.texts, name, INT_BITS)
    verdicts: dict[int, Verdict] = {}
    sources: dict[int, Source] = {}
    pure = pure_of(work.plan).get(work.function.removeprefix(f"{work.plan.name}_"))
    for number in work.numbered:
        try:
            source = parse(work.changed(number), name, INT_BITS)
        except NotUnderstoodError as error:
            verdicts[number] = Verdict(Seen.UNNOTICED, str(error))
            continue
        if pure is not None and is_proven(source, work.function, pure):
            verdicts[number] = Verdict(Seen.EQUIVALENT)
        else:
            sources[number] = source
    by_calls: dict[tuple[str, ...], list[int]] = {}
    for number, source in sources.items():
        by_calls.setdefault(tuple(changed_calls(original, source)), []).append(number)
    for calls, numbers in by_calls.items():
        for call in calls:
            verdicts |= _prove_call(work, sources, [n for n in numbers if n not in verdicts], call)
    return verdicts | {n: Verdict(Seen.EQUIVALENT) for n in sources if n not in verdicts}


def _prove_call(
    work: Work, sources: Mapping[int, Source], numbers: Sequence[int], call: str
) -> dict[int, Verdict]:
    """Those that ``call`` is not plainly equal of."""
    verdicts, misled = _prove_together(work, sources, numbers, call, by_parts=True)
    if misled:
        # The example was none: what a small function returns was unknown, and is not.
        more, still = _prove_together(work, sources, misled, call, by_parts=False)
        why = f"{call}: the proof's example is equal when it is run"
        verdicts |= more | {number: Verdict(Seen.UNNOTICED, why) for number in still}
    return verdicts


def _prove_together(
    work: Work, sources: Mapping[int, Source], numbers: Sequence[int], call: str, *, by_parts: bool
) -> tuple[dict[int, Verdict], list[int]]:
    """Verdicts on those that are not plainly equal, and those whose example proves nothing."""
    verdicts: dict[int, Verdict] = {}
    misled: list[int] = []
    left = list(numbers)
    while left:
        chosen = [sources[number] for number in left]
        outcome = prove_equal(work.plan, *chosen, call=call, limit_s=LIMIT_S, by_parts=by_parts)
        if outcome.equal:
            shown = "; ".join(outcome.faults)
            verdicts |= {left[at]: Verdict(Seen.REFUSED, shown) for at in outcome.faulty}
            break
        assert outcome.open_at is not None
        number = left.pop(outcome.open_at)
        example = outcome.example
        if example is None:
            unset = isinstance(outcome.cause, UnsetError)
            seen = Seen.REFUSED if unset else Seen.UNNOTICED
            verdicts[number] = Verdict(seen, f"{call}: {outcome.undecided}")
            continue
        verdict = shown_by(call, example, tried(work.plan, work.changed(number), call, example))
        if verdict is None:
            misled.append(number)
        else:
            verdicts[number] = verdict
    return verdicts, misled
