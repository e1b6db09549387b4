"""The JSON of ``halfcycle generate``."""

from __future__ import annotations

from collections.abc import Iterable

from halfcycle.base import findings as domain
from halfcycle.output.base import Entry, Finding, each, means


class Generate(Entry):
    """``halfcycle generate``"""

    files: list[str] = means("files written; none if anything failed")
    verified: bool = means("whether C and model were compared and are equal")
    samples_compared: int = means("samples run, with every state field compared after each", ge=0)
    findings: list[Finding] = means("findings of the design")

    @classmethod
    def of(
        cls,
        files: Iterable[str],
        findings: Iterable[domain.Finding],
        *,
        verified: bool,
        samples_compared: int,
    ) -> Generate:
        """The files that were written, none if the run failed."""
        return cls(
            files=list(files),
            verified=verified,
            samples_compared=samples_compared,
            findings=each(Finding, findings),
        )
