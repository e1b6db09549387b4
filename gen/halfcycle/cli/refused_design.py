"""The best that can be had of a spec whose targets no window meets, in short."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.base.text import counted, figure, letters, printable
from halfcycle.cli import common, tables
from halfcycle.cli.corners import Corners

if TYPE_CHECKING:
    from halfcycle.design.types import Trial
    from halfcycle.spec.models import Spec

SHOWN = 3
"""Windows that are shown, the one that settles first at the top."""
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
    from halfcycle.report.weighed_windows import best_ms, by_time, slowest  # noqa: PLC0415 (numpy)

    best = [trial for trial in by_time(tuple(trials)) if best_ms(trial) is not None][:SHOWN]
    if best:
        labels = [
            label
            for trial in best
            for label in (slowest(trial), trial.loop.worst.get("peak_sensitivity"))
            if label
        ]
        corners = Corners(letters(labels))
        rows = [
            _row(trial, best_ms(trial), corners.letter(slowest(trial)), corners) for trial in best
        ]
        number = common.number
        tables.show_table(
            f"{spec.name}: the best of {counted(len(trials), 'window')} tried; none meets the "
            "targets",
            _COLUMNS,
            rows,
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


def _row(trial: Trial, time_ms: float | None, letter: str, corners: Corners) -> tuple[object, ...]:
    window, loop = trial.window, trial.loop
    name = counted(window.half_cycles) if window.kind == "plain" else window.kind
    overshoot = loop.overshoot_percent
    peak = loop.peak_sensitivity
    return (
        name,
        figure(window.duration_ms, 4),
        "-" if time_ms is None else figure(time_ms, 4),
        "-" if overshoot is None else figure(round(overshoot, 4) + 0.0),
        "-" if peak is None else f"{peak:.3f}",
        common.number(trial.kp),
        common.number(trial.ki),
        letter,
        corners.letter(loop.worst.get("peak_sensitivity")),
    )
