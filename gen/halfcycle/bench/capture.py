"""A recorded waveform: volts over seconds, in order, with its gaps known.

``read_capture`` picks the reader by the file's name (``capture_csv``, ``capture_comtrade``); what
they return is put in order here. Nothing is invented: a row that cannot be used is left out, the
hole it leaves is a gap, and a remark says so.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from halfcycle.base.findings import Finding, finding
from halfcycle.base.text import counted
from halfcycle.bench.capture_types import Floats, Raw, Section, input_error

GAP = 1.5
"""A step this many times the usual one (the 95th percentile of all steps) is a gap."""
MAX_MAGNITUDE = 1e9
"""Seconds or volts beyond this are no measurement: such a row has no value."""
MIN_STEP_S = 1e-12
MAX_BACKWARD = 0.05
"""Share of rows that may step back in time before the capture is refused."""


@dataclass(frozen=True, slots=True)
class Capture:
    """A waveform whose time increases strictly."""

    channel: str
    time_s: Floats
    volts: Floats
    step_s: float
    """The usual (median) step; the last sample of a stretch stands for one step."""
    stretches: tuple[tuple[int, int], ...]
    """Index ranges (first, past the last) without a gap, in order."""
    remarks: tuple[Finding, ...]

    def end_s(self, stretch: tuple[int, int]) -> float:
        """Where a stretch ends: one step after its last sample."""
        return float(self.time_s[stretch[1] - 1]) + self.step_s


def read_capture(
    path: Path | str, channel: str | None = None, section: Section | None = None
) -> Capture:
    """Read a CSV file, or an IEEE C37.111 record (``.cfg`` with its ``.dat``, or ``.cff``).

    ``channel``: a column's or channel's name, or its number from 1; without it the first one in
    volts. Raises InputError if the file holds no usable waveform.
    """
    path, section = Path(path), section or Section()
    if path.suffix.lower() in (".cfg", ".dat", ".cff"):
        from halfcycle.bench import capture_comtrade  # noqa: PLC0415

        raw = capture_comtrade.read(path, channel, section)
    else:
        from halfcycle.bench import capture_csv  # noqa: PLC0415

        raw = capture_csv.read(path, channel, section)
    return tidy(raw, path)


def tidy(raw: Raw, path: Path) -> Capture:
    """Put a reader's rows in order and find the gaps; remarks for whatever was left out."""
    remarks = list(raw.remarks)
    time, volts = raw.time_s, raw.volts
    good = (np.abs(time) <= MAX_MAGNITUDE) & (
        np.abs(volts) <= MAX_MAGNITUDE
    )  # Not a number is neither.
    if not good.all():
        lost = int(np.count_nonzero(~good))
        time, volts = time[good], volts[good]
        remarks.append(
            finding(
                "values-missing",
                "capture values",
                f"no value in {counted(lost, 'sample')}: left out",
            )
        )
    if len(time) < 2:
        raise input_error(path, "file", "fewer than two samples", "export a longer section")
    time, volts = _forward(time, volts, path, remarks)
    if len(time) < 2:
        raise input_error(path, "time", "all samples have the same time", "export the time column")
    steps = np.diff(time)
    step = float(np.median(steps))
    if step < MIN_STEP_S:
        problem = f"the usual step is {step:.3g} s"
        raise input_error(path, "time", problem, "check the time column and its unit")
    limit = GAP * float(np.quantile(steps, 0.95, method="lower"))
    ends = np.flatnonzero(steps > limit) + 1
    bounds = [0, *ends.tolist(), len(time)]
    if len(ends):
        first, lost_s = float(time[ends[0] - 1]), float((steps[ends - 1] - step).sum())
        remarks.append(
            finding(
                "capture-gaps",
                "capture time",
                f"{counted(len(ends), 'gap')}, the first after {first:.6g} s, {lost_s:.3g} s in "
                "all; windows that touch one are left out: record without interruption",
            )
        )
    return Capture(
        channel=raw.channel,
        time_s=time,
        volts=volts,
        step_s=step,
        stretches=tuple(itertools.pairwise(bounds)),
        remarks=tuple(remarks),
    )


def _forward(
    time: Floats, volts: Floats, path: Path, remarks: list[Finding]
) -> tuple[Floats, Floats]:
    """The rows whose time is later than that of all rows before."""
    steps = np.diff(time)
    if time[-1] < time[0] and not np.any(steps > 0):
        time, volts, steps = time[::-1], volts[::-1], -steps[::-1]
        remarks.append(
            finding(
                "time-reversed",
                "capture time",
                "time runs backwards: the order of the rows was reversed",
            )
        )
    if np.all(steps > 0):
        return time, volts
    if np.all(steps >= 0):
        even = _even(time, steps)
        if even is not None:
            text = "time has too few digits, so that rows share a stamp: taken as evenly spaced"
            remarks.append(finding("time-coarse", "capture time", f"{text}; export more digits"))
            return even, volts
    latest = np.maximum.accumulate(time)
    later = np.ones(len(time), dtype=bool)
    later[1:] = time[1:] > latest[:-1]
    lost = len(time) - int(np.count_nonzero(later))
    if lost > MAX_BACKWARD * len(time):
        raise input_error(
            path,
            "time",
            f"{lost} of {len(time)} rows do not come later than those before",
            "export one continuous section, with enough digits in the time column",
        )
    text = f"goes back or stands still in {counted(lost, 'row')}: left out; check the export"
    remarks.append(finding("rows-out-of-order", "capture time", text))
    return time[later], volts[later]


def _even(time: Floats, steps: Floats) -> Floats | None:
    """Evenly spaced stamps that round to those of ``time``; None if there are none."""
    moving = steps[steps > 0]
    if not len(moving):
        return None
    index = np.arange(len(time), dtype=np.float64)
    slope = float(np.polyfit(index, time - time[0], 1)[0])
    line = time[0] + slope * index
    line += float(np.mean(time - line))
    # Rounding moves a stamp by less than the least step between two different ones.
    return line if slope > 0 and float(np.max(np.abs(time - line))) <= moving.min() else None
