"""The picture that ``--plot`` asks for: its format and its place, checked before any work."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from halfcycle.base.errors import Faults
from halfcycle.base.output_file import OutputFile
from halfcycle.base.text import printable
from halfcycle.cli import common

PLOT = "--plot"


def asked_picture(
    faults: Faults, plot: Path | None, inputs: Sequence[Path], force: bool
) -> tuple[str, OutputFile | None]:
    """Format and place of the picture, ("", None) without one; what is wrong goes to ``faults``.
    ``inputs``: files that it may not replace."""
    from halfcycle.base.figure import MARK, check_name  # noqa: PLC0415

    form, output = "", None
    if plot is not None:
        with faults.gathered(), common.named_by_options({"picture": PLOT}):
            form = check_name(printable(str(plot)))
        with faults.gathered():
            output = OutputFile(plot, PLOT, MARK, inputs, force)
    return form, output
