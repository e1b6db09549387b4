"""Faults of the user's input, and findings about a design that is valid but imperfect."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Level = Literal["error", "warning", "note"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input: where it is, what is wrong, and what to do about it."""

    file: str
    key: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        return f"error: {self.file}: {self.key}: {self.problem}; {self.remedy}"


class InputError(Exception):
    """Bad usage or bad input (exit code 2); carries every fault that was found."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(map(str, self.faults)))


class ToolMissing(Exception):
    """An outside tool that the command needs is absent (exit code 2); the text names remedies."""


class Refused(Exception):
    """A valid spec that cannot be met (exit code 1); says what can be had instead."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(finding.text for finding in self.findings))


@dataclass(frozen=True, slots=True)
class Finding:
    """One remark about a design. ``key`` is the spec key (or topic) that it concerns."""

    level: Level
    key: str
    text: str


def any_error(findings: Iterable[Finding]) -> bool:
    """Whether a finding says that a limit is broken."""
    return any(finding.level == "error" for finding in findings)


def by_severity(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Errors first, then warnings, then notes; otherwise in the order given."""
    order: dict[Level, int] = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(findings, key=lambda finding: order[finding.level]))
