"""The JSON of ``halfcycle check``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from halfcycle.check import checks
from halfcycle.check.batch import Result
from halfcycle.output.base import Entry, means, sometimes


class Check(Entry):
    """One check of ``halfcycle check``."""

    spec: str = sometimes("the spec's file, if several are checked")
    name: str = means("what was checked")
    passed: bool = means("whether no fault was found: passed or skipped")
    state: Literal["passed", "failed", "skipped", "error"] = means(
        "result; error: the check could not be run"
    )
    detail: str = means("details; if it failed, a diff or the first difference")

    @classmethod
    def of(cls, check: checks.Check, spec: str | None = None) -> Check:
        """A check; ``spec``: its spec's file, if several are checked."""
        about = {} if spec is None else {"spec": spec}
        return cls(
            **about,
            name=check.name,
            passed=check.passed,
            state=check.state.value,
            detail=check.detail,
        )


class CheckedSpec(Entry):
    """One spec of ``halfcycle check``."""

    spec: str = means("file of the spec")
    name: str = means("the regulator's name")
    dir: str = means("folder of the C")
    passed: bool = means("whether every check passed")
    kept: bool = means("whether an earlier pass was kept because nothing has changed since")

    @classmethod
    def of(cls, result: Result) -> CheckedSpec:
        """What became of one spec."""
        job = result.job
        return cls(
            spec=str(job.file),
            name=job.spec.name,
            dir=str(job.folder),
            passed=result.passed,
            kept=result.kept,
        )


class Checks(Entry):
    """``halfcycle check``"""

    checks: list[Check] = means("all checks that were run", min_length=1)
    specs: list[CheckedSpec] = means("one for each spec", min_length=1)

    @classmethod
    def of(cls, results: Sequence[Result]) -> Checks:
        """All checks of all specs, in their order."""
        several = len(results) > 1
        return cls(
            checks=[
                Check.of(check, str(result.job.file) if several else None)
                for result in results
                for check in result.checks
            ],
            specs=[CheckedSpec.of(result) for result in results],
        )


class Tick(Entry):
    """``halfcycle check`` of one tick of a scenario: model and C after it."""

    inputs: dict[str, int] = means("inputs of the model and of the C")
    model: dict[str, int] = means("state fields of the model")
    compiled: dict[str, int] = means("state fields of the C")
