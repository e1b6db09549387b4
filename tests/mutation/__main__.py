"""``python tests/mutation SPEC... [--count N] [--seed S] [--seconds T]``: are small faults in the C
noticed?

A SPEC may be ``plan:CASE``, a hand-made Plan of ``support.plan_cases``. Draws ``--count`` mutants
of each spec's C (all of them without it) and of the Plan's constants. Whatever the bit-exact
comparison does not notice must be the same machine code, or be proven equal to the model on every
input, or be refused by the proof though it is right when run here (C that is undefined, a broken
hand-over); anything else is listed. First all are compared, then what passed is proven; what
``--seconds`` do not allow is left out.
Exit code 1 if there is one.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from halfcycle.generate.pipeline import generate
from halfcycle.regulator.plan import Plan
from halfcycle.spec.load import load_spec
from mutation import same_code
from mutation.judge import Seen, Verdict, Work, judge_all
from mutation.mutants import Mutant, line_of, mutants, plan_mutants
from mutation.proofs import prove_all
from mutation.together import compare_all
from support import plan_cases, planted


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


def shown(subject: Subject, mutant: Mutant) -> str:
    """What a mutant is, in one line."""
    source = f"{subject.plan.name}.c"
    number, line = line_of(subject.texts[source], mutant.start)
    return f"{source}:{number}: {line}  ->  {mutant.old!r} to {mutant.new!r}"


def compared(tried: Subject, chosen: list[Mutant], jobs: int) -> dict[int, Verdict]:
    """A verdict for each that needs no proof, by its place in ``chosen``."""
    name = f"{tried.plan.name}.c"
    verdicts: dict[int, Verdict] = {}
    for number, ended in enumerate(compare_all(tried.plan, tried.texts, chosen, jobs)):
        if not ended.compiles:
            verdicts[number] = Verdict(Seen.NOT_COMPILED)
        elif ended.noticed_by:
            verdicts[number] = Verdict(Seen.NOTICED, ended.noticed_by)
    passed = {n: mutant for n, mutant in enumerate(chosen) if n not in verdicts}
    alike = same_code.same(tried.texts, name, passed)
    return verdicts | dict.fromkeys(alike, Verdict(Seen.SAME_CODE))


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
        f"{whole} mutants: {counts[Seen.NOTICED]} noticed, "
        f"{counts[Seen.SAME_CODE]} the same machine code, "
        f"{counts[Seen.EQUIVALENT]} proven equal, "
        f"{counts[Seen.REFUSED]} refused by the proof alone, "
        f"{counts[Seen.UNNOTICED]} not noticed; {counts[Seen.NOT_COMPILED]} do not compile"
    )


def of_code(
    tried: Subject,
    chosen: list[Mutant],
    known: Mapping[int, Verdict],
    jobs: int,
    seconds: float | None,
) -> list[Verdict]:
    """Prove the mutants of the C that passed, and say what is wrong."""
    verdicts = dict(known)
    left = {n: mutant for n, mutant in enumerate(chosen) if n not in known}
    ends = None if seconds is None else time.monotonic() + seconds
    for number, verdict in prove_all(tried.plan, tried.texts, left, jobs, ends):
        verdicts[number] = verdict
        if verdict.seen is Seen.UNNOTICED:
            print(f"  not noticed: {shown(tried, chosen[number])} ({verdict.detail})", flush=True)
    return said(f"{tried.plan.name}, C", list(verdicts.values()), len(chosen))


def of_plan(
    tried: Subject, count: int | None, seed: int, jobs: int, seconds: float | None
) -> list[Verdict]:
    """Judge the mutants of the Plan's constants, and say what is wrong."""
    texts = dict(tried.texts)
    choices = list(plan_mutants(tried.plan))
    chosen = drawn(choices, count, f"{seed} Plan {tried.plan.name}")
    work = [Work(plan, texts, texts) for _, plan in chosen]
    verdicts = []
    for (change, _), verdict in zip(chosen, judge_all(work, jobs, seconds), strict=False):
        verdicts.append(verdict)
        if verdict.seen is Seen.UNNOTICED:
            print(f"  not noticed: {tried.plan.name}: {change} ({verdict.detail})", flush=True)
    return said(f"{tried.plan.name}, Plan", verdicts, len(chosen))


def said(what: str, verdicts: list[Verdict], whole: int) -> list[Verdict]:
    """The verdicts, when they have been summed up in a line."""
    missing = f"; no time for {whole - len(verdicts)}" if len(verdicts) < whole else ""
    print(f"{what}: {summary(verdicts)}{missing}", flush=True)
    return verdicts


def main() -> None:
    parser = argparse.ArgumentParser("python tests/mutation", description=__doc__)
    parser.add_argument("specs", metavar="SPEC", nargs="+")
    parser.add_argument("--count", type=int, help="mutants of each spec; all without it")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, help="begin no mutant after so long, in all")
    parser.add_argument("--jobs", type=int, default=2)
    arguments = parser.parse_args()
    share = arguments.seconds and arguments.seconds / (2 * len(arguments.specs))
    subjects = [subject(given) for given in arguments.specs]
    every: list[Verdict] = []
    waiting = []
    for tried in subjects:
        choices = list(mutants(tried.texts[f"{tried.plan.name}.c"]))
        chosen = drawn(choices, arguments.count, f"{arguments.seed} C {tried.plan.name}")
        verdicts = compared(tried, chosen, arguments.jobs)
        print(f"{tried.plan.name}, C: {len(verdicts)} of {len(chosen)} done: ", end="")
        print(summary(list(verdicts.values())), flush=True)
        waiting.append((tried, chosen, verdicts))
    for tried, chosen, verdicts in waiting:
        every += of_code(tried, chosen, verdicts, arguments.jobs, share)
        every += of_plan(tried, arguments.count, arguments.seed, arguments.jobs, share)
    print(f"all: {summary(every)}")
    sys.exit(1 if any(verdict.seen is Seen.UNNOTICED for verdict in every) else 0)


if __name__ == "__main__":
    main()
