"""The table of outside checks, with the values that come out now."""

from __future__ import annotations

from documentation.tables import table
from oracles.outside_checks import TOPICS, Check


def checks() -> str:
    """All checks by topic."""
    head = ("what", "source", "expected", "obtained", "within")
    return "".join(
        f"\n## {topic}\n{table(head, map(_row, made()))}" for topic, made in TOPICS.items()
    )


def _row(check: Check) -> tuple[str, str, str, str, str]:
    expected, obtained = check.values()
    unit = f" {check.unit}" if check.unit else ""
    within = "equal" if check.within == 0 else f"{check.within:g}"
    return (
        check.what,
        check.source,
        f"{expected:.7g}{unit}",
        f"{obtained:.7g}{unit}",
        within,
    )
