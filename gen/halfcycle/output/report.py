"""The JSON of ``halfcycle report``."""

from __future__ import annotations

from collections.abc import Iterable

from halfcycle.base import findings as domain
from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.report.parts import Contents


class Report(Entry):
    """``halfcycle report``"""

    file: str = means("the page")
    good: bool = means("whether no limit is broken, by the design or by a board (else exit code 1)")
    boards: int = means("virtual boards run in each case", ge=0)
    runs_failed: int = means("runs that broke a rule", ge=0)
    findings: list[Finding] = means("of the design and of the boards")

    @classmethod
    def of(cls, file: str, contents: Contents, findings: Iterable[domain.Finding]) -> Report:
        """A page that was written; ``findings``: of the design and of the boards."""
        runs = contents.boards
        return cls(
            file=file,
            good=contents.good,
            boards=runs.boards if runs else 0,
            runs_failed=runs.failed if runs else 0,
            findings=each(Finding, findings),
        )
