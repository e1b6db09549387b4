"""The JSON of ``halfcycle report``."""

from __future__ import annotations

from collections.abc import Iterable

from halfcycle.base import findings as domain
from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.report.parts import Contents


class Report(Entry):
    """``halfcycle report``"""

    file: str = means("file of the page")
    good: bool = means("whether neither the design nor a board breaks a limit (else exit code 1)")
    boards: int = means("virtual boards run in each case", ge=0)
    runs_failed: int = means("runs that broke a rule", ge=0)
    logs: int = means("number of measured boards whose logs were read", ge=0)
    as_model: bool | None = means(
        "whether every row of the logs equals the model's; null without a log"
    )
    inside_corners: bool | None = means(
        "whether every measured board is inside the corners; null without a log, or if a log does "
        "not show it"
    )
    findings: list[Finding] = means("of the design, of the boards and of the logs")

    @classmethod
    def of(cls, file: str, contents: Contents, findings: Iterable[domain.Finding]) -> Report:
        """A page that was written; ``findings``: of the design, the boards and the logs."""
        runs = contents.boards
        found = contents.measured.found if contents.measured else None
        return cls(
            file=file,
            good=contents.good,
            boards=runs.boards if runs else 0,
            runs_failed=runs.failed if runs else 0,
            logs=len(found.logs) if found else 0,
            as_model=found.as_model if found else None,
            inside_corners=found.inside if found else None,
            findings=each(Finding, findings),
        )

    @classmethod
    def refused(cls, file: str, findings: Iterable[domain.Finding]) -> Report:
        """The page of a spec that cannot be met: no board was run, and no log was read."""
        return cls(
            file=file,
            good=False,
            boards=0,
            runs_failed=0,
            logs=0,
            as_model=None,
            inside_corners=None,
            findings=each(Finding, findings),
        )
