"""``python tests/mutation SPEC... [--count N] [--seed S]``: are small faults in the C noticed?

Draws ``--count`` mutants of each spec's C (all of them without it) and one of each of the Plan's
constants, and lists those that the bit-exact comparison does not notice and ``equivalent.toml``
does not explain. Exit code 1 where there is one.
"""

from __future__ import annotations

import argparse
import random
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import load_spec
from mutation.judge import Work, judge_all
from mutation.mutants import key, line_of, mutants, plan_mutants

DrawnMutant = tuple[str, tuple[str, str], Work]
"""What a mutant is, its key, what to compare."""
EQUIVALENT = Path(__file__).parent / "equivalent.toml"


@dataclass(slots=True)
class Score:
    """What came of the mutants of one kind."""

    counted: int = 0
    noticed: int = 0
    explained: int = 0
    refused: int = 0
    """Not compiled: not counted."""

    def add(self, other: Score) -> None:
        self.counted += other.counted
        self.noticed += other.noticed
        self.explained += other.explained
        self.refused += other.refused

    def __str__(self) -> str:
        rest = self.counted - self.explained
        share = 100 * self.noticed / rest if rest else 100.0
        return (
            f"{self.noticed} of {rest} noticed ({share:.1f} %), {self.explained} equivalent, "
            f"{self.refused} do not compile"
        )


def equivalents(kind: str, name: str) -> dict[tuple[str, str], str]:
    """Key to reason, of ``kind`` "code" or "plan", as far as they are said of this regulator."""
    rows = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8"))[kind]
    return {
        (row["line"], change): row["reason"]
        for row in rows
        for change in row["changes"]
        if name in row.get("only", [name])
    }


def of_code(spec: Path, count: int | None, seed: int) -> Iterator[DrawnMutant]:
    """The drawn mutants of the C."""
    generation = generate(load_spec(spec))
    name = generation.plan.name
    source = f"{name}.c"
    text = generation.texts[source]
    for mutant in drawn(list(mutants(text)), count, f"{seed} {name}"):
        number, line = line_of(text, mutant.start)
        shown = f"{source}:{number}: {line}  ->  {key(name, text, mutant)[1]}"
        yield (
            shown,
            key(name, text, mutant),
            (generation.plan, {**generation.texts, source: mutant.apply(text)}),
        )


def of_plan(spec: Path, count: int | None, seed: int) -> Iterator[DrawnMutant]:
    """The drawn mutants of the Plan's constants; the key is the field."""
    generation = generate(load_spec(spec))
    for change, plan in drawn(
        list(plan_mutants(generation.plan)), count, f"{seed} plan {generation.plan.name}"
    ):
        yield f"{generation.plan.name}: {change}", plan_key(change), (plan, dict(generation.texts))


def plan_key(change: str) -> tuple[str, str]:
    """(field, +1 or -1)."""
    field, before, _, after = change.split()
    return field, f"{int(after) - int(before):+d}"


def drawn(choices: list[Any], count: int | None, seed: str) -> list[Any]:
    """``count`` of them, the same for the same seed; all without a count."""
    if count is None or count >= len(choices):
        return choices
    return random.Random(seed).sample(choices, count)


def tally(
    drawn_mutants: list[DrawnMutant], known: dict[tuple[str, str], str]
) -> tuple[Score, list[str]]:
    """Score and what was not noticed though nothing explains it (or the other way round)."""
    score, bad = Score(), []
    for (shown, change, _), verdict in zip(
        drawn_mutants, judge_all([work for *_, work in drawn_mutants]), strict=True
    ):
        if verdict.noticed is None:
            score.refused += 1
            continue
        score.counted += 1
        if verdict.noticed:
            score.noticed += 1
            if change in known:
                bad.append(f"listed as equivalent, yet noticed: {shown} ({verdict.detail})")
        elif change in known:
            score.explained += 1
        else:
            bad.append(f"not noticed: {shown}")
    return score, bad


def main() -> None:
    parser = argparse.ArgumentParser("python tests/mutation", description=__doc__)
    parser.add_argument("specs", metavar="SPEC", nargs="+", type=Path)
    parser.add_argument("--count", type=int, help="mutants of each spec; all without it")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    trouble: list[str] = []
    total = {"C": Score(), "Plan": Score()}
    for spec in arguments.specs:
        for subject, draw, kind in (
            ("C", of_code, "code"),
            ("Plan", of_plan, "plan"),
        ):
            score, bad = tally(
                list(draw(spec, arguments.count, arguments.seed)), equivalents(kind, spec.stem)
            )
            print(f"{spec.stem}, {subject}: {score}", flush=True)
            for line in bad:
                print(f"  {line}", flush=True)
            trouble += bad
            total[subject].add(score)
    for subject, score in total.items():
        print(f"all, {subject}: {score}")
    sys.exit(1 if trouble else 0)


if __name__ == "__main__":
    main()
