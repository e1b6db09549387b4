"""What a reviewer signs: which C the page is of, what was shown of it, and lines for the names."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import halfcycle
from halfcycle.base.findings import Finding, grouped
from halfcycle.base.text import counted
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.report.parts import Contents, Table, quantity
from halfcycle.report.summary_section import BETWEEN

LATEST = "latest-update"


def sign_off(contents: Contents, findings: tuple[Finding, ...]) -> Table:
    """A row for each thing that is signed for; the last ones are left free for names and dates."""
    return Table(
        "What is signed for",
        ("item", "as of this page"),
        (
            *_design(contents),
            *_code(contents),
            *_shown(contents),
            *_latest_update(contents, findings),
            *_warnings(findings),
            *FREE,
        ),
    )


FREE = (("designed by", ""), ("date", ""), ("reviewed by", ""), ("date", ""))


def _design(contents: Contents) -> Iterator[tuple[str, str]]:
    """What the C comes from: the spec, and the tool that made it."""
    yield "made by", f"halfcycle {halfcycle.__version__}"
    yield "the spec's values, SHA-256", contents.integer_design.design.spec.digest()


def _warnings(findings: tuple[Finding, ...]) -> Iterator[tuple[str, str]]:
    """Room to say what became of each warning; none without one."""
    warnings = grouped(finding for finding in findings if finding.level == "warning")
    if warnings:
        told = "the warning" if len(warnings) == 1 else f"the {len(warnings)} warnings"
        yield f"what is done about {told}", ""


def _code(contents: Contents) -> Iterator[tuple[str, str]]:
    """The files' digests, so that a reviewer can hold them against those in the firmware."""
    if not contents.integer_design.good:
        yield "the C", "none: the design has errors"
        return
    for name, text in contents.integer_design.texts().items():
        yield f"{name}, SHA-256", hashlib.sha256(text.encode("utf-8")).hexdigest()


def _shown(contents: Contents) -> Iterator[tuple[str, str]]:
    boards, targets = contents.boards, contents.targets
    if boards is not None:
        cases = counted(len(boards.runs), "case")
        yield (
            "compiled C in closed loop",
            f"{counted(boards.boards, 'virtual board')}, {cases} each, seed {boards.seed}",
        )
    else:
        yield "compiled C in closed loop", f"not run: {contents.no_boards}"
    if targets is not None:
        exact = sum(row.bit_exact for row in targets.rows)
        yield (
            "compared with the model, bit for bit",
            f"the same on {exact} of {counted(len(targets.rows), 'emulated processor')}",
        )
    else:
        yield "compared with the model, bit for bit", f"not for this page: {contents.no_targets}"
    yield (
        "proven equal to the model",
        "not shown on this page: attach the output of check with its proof",
    )


def _latest_update(contents: Contents, findings: tuple[Finding, ...]) -> Iterator[tuple[str, str]]:
    for entry in findings:
        if entry.code == LATEST:
            yield "latest update", entry.text.rpartition("; ")[0]
    loop = contents.integer_design.design.loop
    if isinstance(loop, MovingFigures) and any(entry.code == BETWEEN for entry in findings):
        yield (
            "latest update",
            f"every one at once, or every one {quantity(loop.lateness_us, 'µs')} after its block's "
            "last sample; the warning says what is missed between",
        )
