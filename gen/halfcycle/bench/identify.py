"""Logs of running firmware beside a spec: is it the model's, and what plant does it drive?"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from halfcycle.base.text import printable
from halfcycle.bench.board_loop import BoardLoop, Corners, board_loop, corners
from halfcycle.bench.calibrate import COVERAGE, Estimate, mean_of
from halfcycle.bench.fit_rows import MovingRows, fit_rows
from halfcycle.bench.log_check import CheckedLog, LogCheck
from halfcycle.bench.log_reader import read_log
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRemarks, log_error
from halfcycle.bench.plant_fit import NoFit, PlantFit, fit_plant
from halfcycle.bench.systematic_part import with_systematic_part
from halfcycle.bench.tolerance_interval import reach, share_inside

if TYPE_CHECKING:
    from halfcycle.generate.pipeline import IntegerDesign

OUTLIER_SIGMAS = 3.5
"""Robust standard deviations (Iglewicz & Hoaglin 1993, from memory) beyond which a board is not
like the others."""
MIN_BOARDS = 6
"""Of fewer boards nobody can say which one is strange."""


@dataclass(frozen=True, slots=True)
class BoardLog:
    """One log: the check of its rows, and the fit of its plant with the loop that this makes."""

    name: str
    checked: CheckedLog
    remarks: LogRemarks
    fit: PlantFit | NoFit
    loop: BoardLoop | None
    digest: bytes
    """Of the rows."""

    @property
    def plant(self) -> PlantFit | None:
        """The fit, if there is one."""
        return self.fit if isinstance(self.fit, PlantFit) else None


@dataclass(frozen=True, slots=True)
class Identification:
    """All logs, and what they say of the boards together. ``gain`` and ``share``: of the one board,
    or the means over the boards that are no ``outliers``. ``gain_reach``: half width of the
    interval that holds 99 % of all boards, with 95 % confidence; ``share_of_boards``: share of
    all boards whose gain is inside the corners, with 95 % confidence; None below two boards."""

    logs: tuple[BoardLog, ...]
    corners: Corners
    gain: Estimate | None
    share: Estimate | None
    gain_reach: float | None
    share_of_boards: float | None
    outliers: tuple[str, ...]

    @property
    def inside(self) -> bool | None:
        """Whether every board may be inside the corners; None if one has no fit, or there is no
        log."""
        plants = [log.plant for log in self.logs] or [None]
        held = [None if plant is None else is_inside(plant, self.corners) for plant in plants]
        if False in held:
            return False
        return None if None in held else True

    def fitted(self, most: int) -> list[tuple[BoardLog, PlantFit]]:
        """At most so many logs that have a fit, to be drawn: boards that are not inside first."""
        logs = [(log, log.plant) for log in self.logs if log.plant is not None]
        # False sorts before True.
        return sorted(logs, key=lambda each: is_inside(each[1], self.corners) is True)[:most]

    @property
    def as_model(self) -> bool:
        """Whether every row is what the model makes of the rows before."""
        return all(log.checked.first is None for log in self.logs)


def is_inside(plant: PlantFit, ranges: Corners) -> bool | None:
    """Whether gain (of every level) and delay may be inside the corners; None if the gain may and
    the log does not tell the delay."""
    if not all(ranges.gain.may_hold(level.gain) for level in plant.levels):
        return False
    return None if plant.share is None else ranges.share.may_hold(plant.share)


def identify(done: IntegerDesign, paths: Sequence[Path], revision: int | None) -> Identification:
    """Check and fit the logs of ``paths``, one of a board each, against a design.

    ``revision``: what a log that says its firmware's must say. Raises InputError as ``read_log``.
    """
    ranges = corners(done.design, done.quantised.plan)
    logs = tuple(_log(done, path, revision) for path in paths)
    _refuse_copies(paths, logs)
    plants = {log.name: log.plant for log in logs if log.plant is not None}
    odd = _odd([plant.gain.value for plant in plants.values()])
    outliers = tuple(name for name, far in zip(plants, odd, strict=True) if far)
    good = [plant for name, plant in plants.items() if name not in outliers]
    gains = [plant.gain.value for plant in good]
    return Identification(
        logs=logs,
        corners=ranges,
        gain=_together([plant.gain for plant in good]),
        share=_together([plant.share for plant in good if plant.share is not None]),
        gain_reach=reach(gains, COVERAGE),
        share_of_boards=share_inside(gains, ranges.gain.low, ranges.gain.high),
        outliers=outliers,
    )


def _refuse_copies(paths: Sequence[Path], logs: Sequence[BoardLog]) -> None:
    """A log given twice would say that boards are alike."""
    first: dict[bytes, Path] = {}
    for path, log in zip(paths, logs, strict=True):
        other = first.setdefault(log.digest, path)
        if other is not path:
            problem = f"they are those of {printable(str(other))}, number for number"
            raise log_error(path, [("rows", problem, "give one log of each board")])


def _log(done: IntegerDesign, path: Path, revision: int | None) -> BoardLog:
    plan = done.quantised.plan
    remarks = LogRemarks()
    check, readings_of, moving = LogCheck(plan), ReadingsOf(plan), MovingRows(plan)
    digest = hashlib.sha256()
    for rows in read_log(path, plan, remarks, revision):
        for column in (rows.update, rows.target, rows.rms_mv, rows.scale, rows.flags):
            digest.update(column.tobytes())
        readings = readings_of.of(rows)
        moving.feed(rows, readings, check.feed(rows, readings))
    pieces = moving.pieces()
    fit: PlantFit | NoFit = NoFit("its rows are not the model's", 0.0)
    if not check.result.foreign:
        fit = fit_plant(plan, fit_rows(plan, pieces))
    if isinstance(fit, PlantFit):
        fit = with_systematic_part(done.design, plan, pieces, fit)
    loop = board_loop(done.design, plan, fit) if isinstance(fit, PlantFit) else None
    return BoardLog(printable(path.stem), check.done(), remarks, fit, loop, digest.digest())


def _together(estimates: Sequence[Estimate]) -> Estimate | None:
    """The mean over boards; of one board its own interval. Firmware that makes the sine and takes
    the samples by one clock may have the same phase on all of them."""
    if len(estimates) == 1:
        return estimates[0]
    mean = mean_of([estimate.value for estimate in estimates])
    if mean is None:
        return None
    return replace(mean, systematic=max(estimate.systematic for estimate in estimates))


def _odd(gains: Sequence[float]) -> list[bool]:
    """Which boards are far off the others."""
    if len(gains) < MIN_BOARDS:
        return [False] * len(gains)
    values = np.array(gains)
    off = np.abs(values - np.median(values))
    sigma = max(float(np.median(off)) / 0.6745, 1e-4 * float(np.median(values)))
    return [bool(far) for far in off > OUTLIER_SIGMAS * sigma * (1 + 8 / len(values))]
