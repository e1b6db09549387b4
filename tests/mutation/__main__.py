"""``python tests/mutation SPEC... [--count N] [--seed S] [--seconds T]``: are small faults in the C
noticed?

A SPEC may be ``plan:CASE``, a hand-made Plan of ``support.plan_cases``. Draws ``--count`` mutants
of each spec's C (all of them without it) and of the Plan's constants, as many as ``--seconds``
allow. Whatever the bit-exact comparison does not notice must be proven equal
to the model on every input, or be refused by the proof though it is right when run here (C that is
undefined, a broken hand-over); anything else is listed.
Exit code 1 if there is one.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from halfcycle.generate.pipeline import generate
from halfcycle.regulator.plan import Plan
from halfcycle.spec.load import load_spec
from mutation.judge import Seen, Verdict, Work, judge_all
from mutation.mutants import line_of, mutants, plan_mutants
from support import plan_cases, planted

DrawnMutant = tuple[str, Work]
"""What a mutant is, what to compare."""


@dataclass(frozen=True, slots=True)
class Subject:
    """A regulator whose mutants are tried."""

    plan: Plan
    texts: Mapping[str, str]


def subject(given: str) -> Subject:
    """Of a spec's path, or of the hand-made Plan ``plan:CASE``."""
    if given.startswith("plan:"):
        plan = planted.plan_of(given.removeprefix("plan:"))
        return Subject(plan, plan_cases.render(plan))
    generation = generate(load_spec(Path(given)))
    return Subject(generation.plan, generation.texts)


def of_code(generation: Subject) -> Iterator[DrawnMutant]:
    """Every mutant of the C."""
    source = f"{generation.plan.name}.c"
    texts = dict(generation.texts)
    text = texts[source]
    for mutant in mutants(text):
        number, line = line_of(text, mutant.start)
        shown = f"{source}:{number}: {line}  ->  {mutant.old!r} to {mutant.new!r}"
        yield shown, Work(generation.plan, {**texts, source: mutant.apply(text)}, texts)


def of_plan(generation: Subject) -> Iterator[DrawnMutant]:
    """Every mutant of the Plan's constants."""
    texts = dict(generation.texts)
    for change, plan in plan_mutants(generation.plan):
        yield f"{generation.plan.name}: {change}", Work(plan, texts, texts)


def drawn(choices: list[Any], count: int | None, seed: str) -> list[Any]:
    """``count`` of them in any order, the same for the same seed; all, in order, without it."""
    if count is None:
        return choices
    return random.Random(seed).sample(choices, min(count, len(choices)))


def summary(verdicts: list[Verdict]) -> str:
    """One line of figures."""
    counts = Counter(verdict.seen for verdict in verdicts)
    whole = len(verdicts) - counts[Seen.NOT_COMPILED]
    return (
        f"{whole} mutants: {counts[Seen.NOTICED]} noticed, {counts[Seen.EQUIVALENT]} proven "
        f"equal, {counts[Seen.REFUSED]} refused by the proof alone, "
        f"{counts[Seen.UNNOTICED]} not noticed; {counts[Seen.NOT_COMPILED]} do not compile"
    )


def main() -> None:
    parser = argparse.ArgumentParser("python tests/mutation", description=__doc__)
    parser.add_argument("specs", metavar="SPEC", nargs="+")
    parser.add_argument("--count", type=int, help="mutants of each spec; all without it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, help="begin no mutant after so long, in all")
    parser.add_argument("--jobs", type=int, default=2)
    arguments = parser.parse_args()
    share = arguments.seconds and arguments.seconds / (2 * len(arguments.specs))
    every: list[Verdict] = []
    for given in arguments.specs:
        tried = subject(given)
        for what, choices in (("C", of_code(tried)), ("Plan", of_plan(tried))):
            seed = f"{arguments.seed} {what} {tried.plan.name}"
            chosen = drawn(list(choices), arguments.count, seed)
            work = [work for _, work in chosen]
            verdicts: list[Verdict] = []
            for (shown, _), verdict in zip(
                chosen, judge_all(work, arguments.jobs, share), strict=False
            ):
                verdicts.append(verdict)
                if verdict.seen is Seen.UNNOTICED:
                    print(f"  not noticed: {shown} ({verdict.detail})", flush=True)
            print(f"{tried.plan.name}, {what}: {summary(verdicts)}", flush=True)
            every += verdicts
    print(f"all: {summary(every)}")
    sys.exit(1 if any(verdict.seen is Seen.UNNOTICED for verdict in every) else 0)


if __name__ == "__main__":
    main()
