"""The best that can be had of a spec whose targets no window meets, in short."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.base.text import figure, letters, printable
from halfcycle.cli import common, tables
from halfcycle.cli.corners import Corners

if TYPE_CHECKING:
    from halfcycle.design.types import Trial
    from halfcycle.spec.models import Spec

_COLUMNS = (
    "window",
    "length\nms",
    "settles\nms",
    "over\n%",
    "Ms",
    "P per\nupdate",
    "I per\nupdate",
    "slow-\nest",
    "limits\ngain",
)
_SPARE = ("P per\nupdate", "Ms", "length\nms")


def show_best(file: Path, spec: Spec, trials: Sequence[Trial]) -> None:
    """Print the windows that settle first, with their gains and the corners that limit them, and
    the command that shows all that were tried."""
    from halfcycle.report.weighed_windows import best_trials, limiting  # noqa: PLC0415 (numpy)

    best = best_trials(tuple(trials))
    if best:
        labels = [label for trial in best for label in limiting(trial) if label]
        corners = Corners(letters(labels))
        number = common.number
        tables.show_table(
            f"{spec.name}: {which_windows(len(best), len(trials))}; none meets the targets",
            _COLUMNS,
            [_row(trial, corners) for trial in best],
            [
                f"Asked: settling {common.settling_asked(spec)}, overshoot "
                f"{number(spec.targets.overshoot_percent)} %, Ms "
                f"{number(spec.targets.peak_sensitivity)}. Slowest, limits gain: corners."
            ],
            spare=_SPARE,
        )
        corners.show()
    again = f"halfcycle report {shlex.quote(printable(str(file)))} --out FILE.html"
    print(f"{again} shows what was tried, and how far each window comes")


def which_windows(shown: int, tried: int) -> str:
    """Which of the windows that were tried are shown."""
    if tried == 1:
        return "the one window that was tried"
    if shown == tried:
        return f"the {shown} windows that were tried"
    return f"{f'the best {shown}' if shown > 1 else 'the best'} of {tried} windows that were tried"


def _row(trial: Trial, corners: Corners) -> tuple[object, ...]:
    from halfcycle.report.weighed_windows import (  # noqa: PLC0415 (numpy)
        best_ms,
        limiting,
        name_of,
    )

    window, loop = trial.window, trial.loop
    overshoot, peak = loop.overshoot_percent, loop.peak_sensitivity
    return (
        name_of(window),
        figure(window.duration_ms, 4),
        figure(best_ms(trial) or 0.0, 4),
        "-" if overshoot is None else figure(round(overshoot, 4) + 0.0),
        "-" if peak is None else f"{peak:.3f}",
        common.number(trial.kp),
        common.number(trial.ki),
        *map(corners.letter, limiting(trial)),
    )
