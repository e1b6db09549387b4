"""Why a row is not what the model makes of the one before: the likely cause, by trying each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

from halfcycle.bench.log_drive import DriveModel
from halfcycle.bench.log_hidden import Hidden, Interval, Row
from halfcycle.bench.log_model import RowModel
from halfcycle.regulator.arithmetic import scale_by

CauseKind = Literal[
    "flags",
    "torn",
    "twice",
    "late",
    "early",
    "skipped",
    "unlogged",
    "scaling",
    "gains",
    "reading",
    "unknown",
]
_BYTES = (8, 16, 24)
"""Places at which a value of several bytes may be torn."""
_FIELDS = ("rms_mv", "scale", "flags", "integral")
FAR = 4.0
"""A reading that is so many times off, either way, is of another spec: no sensor is chosen so."""
_ODD = 1.02
"""A reading this much off the one that its sums make is no rounding."""


@dataclass(frozen=True, slots=True)
class Cause:
    """What may have made a row differ, in words, and which of its values differ."""

    kind: CauseKind
    text: str
    ratio: float | None = None
    """Of "scaling": millivolts per unit of the reading, over the spec's."""
    sure: bool = False
    """Whether the row alone proves it, so that no other cause of all rows takes its place."""


def cause_of(model: RowModel, before: Hidden, row: Row) -> Cause:
    """The likely cause of a row that ``model`` does not make of ``before``."""
    for cause in _tried(model, before, row):
        return cause
    return Cause("unknown", f"no known cause explains it; {_expected(model, before, row)}")


def _tried(model: RowModel, before: Hidden, row: Row) -> Iterator[Cause]:
    last = before.row
    if row.contradictory:
        if row.integral >= 0 and _is_of_millivolts(model, before, row):
            text = "sum is wrong: rms_mv, scale and integral agree without it; torn, or of another"
            yield Cause("torn", f"{text} window", sure=True)
        yield _reading(model, before, row)
    if (bits := _flag_bits(model, before, row)) is not None:
        yield Cause("flags", f"only the flags differ: {bits}")
    for name in _FIELDS:
        if _torn(model, before, row, name):
            yield Cause("torn", f"{name} is half of this row's and half of the one before: torn")
    if _without_reading(last) == _without_reading(row) and row.rms_mv != last.rms_mv:
        if _at_rest(model, before, row):
            text = f"rms_mv {row.rms_mv} alone is wrong: all else is as {last.rms_mv} makes it"
            yield Cause("reading", text)
        yield Cause("skipped", "an update was missed: the reading is new, all else as before")
    step = _free_of_flags(model, before, row)
    if step is not None and _steps(model, before, step, row):
        yield Cause("twice", "the update was done twice with one reading")
    if _late(model, before, row):
        yield Cause("late", "the update was done late: with the reading before this one")
    middle = _missing_error(model, before, row)
    if middle is not None:
        text = f"an update is not in the log, and was not counted; its error was {middle} units"
        yield Cause("unlogged", text)
    if row.high < row.low:
        yield Cause("scaling", "no reading of this spec's sensor shows so many millivolts")


def _reading(model: RowModel, before: Hidden, row: Row) -> Cause:
    """Millivolts that are not those of the sums."""
    if _torn(model, before, row, "rms_mv"):
        return Cause("torn", "rms_mv is half of this row's and half of the one before: torn")
    shown = row.rms_mv / max(1.0, row.by_sums * _per_unit(model))
    last = _shown(model, before.row)
    # Without sums of the row before; with them a reading that stands still tells nothing.
    if row.rms_mv == (before.row.rms_mv if last is None else last):
        text = "rms_mv is that of the row before: read ahead of the update"
        return Cause("late", text, sure=True)
    if max(shown, 1 / max(shown, 1e-9)) < _ODD:
        text = f"rms_mv is {shown:.5f} times what the sum makes: sensor.volts_per_code, or torn"
        return Cause("scaling", text, shown)
    text = f"rms_mv is {shown:.5g} times what the sum makes: {sensor_or_spec(shown)}"
    return Cause("scaling", text, shown)


def _is_of_millivolts(model: RowModel, before: Hidden, row: Row) -> bool:
    """Whether the row is the model's by its millivolts, and is not by its sums."""
    by_sums = replace(row, low=row.by_sums, high=row.by_sums)
    return (
        model.follow(before, replace(row, by_sums=-1)) is not None
        and model.follow(before, by_sums) is None
    )


def sensor_or_spec(ratio: float) -> str:
    """What a reading that is ``ratio`` times the spec's tells of."""
    far = not 1 / FAR < ratio < FAR
    return "the log is of another spec" if far else "another sensor.volts_per_code"


def _shown(model: RowModel, row: Row) -> int | None:
    """The millivolts that a row's sums make; None if they do not tell."""
    if row.by_sums < 0:
        return None
    return scale_by(row.by_sums, model.plan.millivolt_gain, model.plan.millivolt_shift)


def _per_unit(model: RowModel) -> float:
    return float(model.plan.millivolt_gain / 2.0**model.plan.millivolt_shift)


def _flag_bits(model: RowModel, before: Hidden, row: Row) -> str | None:
    """The flags that are not the model's, if nothing else differs."""
    allowed = [
        flags
        for flags in range(model.plan.all_flags + 1)
        if flags != row.flags and model.follow(before, replace(row, flags=flags)) is not None
    ]
    if not allowed:
        return None
    nearest = min(allowed, key=lambda flags: (flags ^ row.flags).bit_count())
    names = [name for name, bit, _ in model.plan.flags if (nearest ^ row.flags) & bit]
    unknown = row.flags & ~model.plan.all_flags
    return ", ".join([*names, *([f"0x{unknown:04x}"] if unknown else [])])


def _torn(model: RowModel, before: Hidden, row: Row, name: str) -> bool:
    """Whether a value has some bytes of the row before, and the model allows what it would be with
    these as they are in the model's own row."""
    now, last = getattr(row, name), getattr(before.row, name)
    if now < 0 or name == "flags":
        return False
    whole = _whole_value(model, before, row, name)
    if whole is None or whole == now:
        return False
    for bits in _BYTES:
        low = (1 << bits) - 1
        if now in {(last & ~low) | (whole & low), (whole & ~low) | (last & low)} and now != last:
            return True
    return False


def _whole_value(model: RowModel, before: Hidden, row: Row, name: str) -> int | None:
    """What the value should be by the others; None if they do not tell."""
    if name == "rms_mv":
        return _shown(model, row)
    if name == "integral":
        after = model.follow(before, replace(row, integral=-1))
        return after.integral[0] if after and after.integral[0] == after.integral[1] else None
    if before.integral[0] != before.integral[1] or row.integral < 0:
        return None
    error = row.target - row.reading[0]
    top = model.drive.top(before.row, row)
    integral, drive = _drive(model, before, row).regulated(before.integral[0], error, top)
    return model.drive.scale_of(drive) if integral == row.integral else None


def _drive(model: RowModel, before: Hidden, row: Row) -> DriveModel:
    return model.drive.of(before, row.target)


def _at_rest(model: RowModel, before: Hidden, row: Row) -> bool:
    """Whether the row would be the model's with the reading of the row before: an update that was
    done left all else as it was, so that none need have been missed."""
    last = before.row
    rest = replace(row, rms_mv=last.rms_mv, low=last.low, high=last.high, by_sums=last.by_sums)
    return model.follow(before, rest) is not None


def _without_reading(row: Row) -> tuple[int, ...]:
    return row.scale, row.integral, row.flags, row.target


def _errors(row: Row) -> Interval:
    return row.target - row.reading[1], row.target - row.reading[0]


def _free_of_flags(model: RowModel, before: Hidden, row: Row) -> list[tuple[int, int]] | None:
    """(integral, error) after a step with each error that the row may have, from both ends of what
    the integral was before; None if the error is hardly known."""
    low, high = _errors(row)
    if high < low or high - low > 8 or model.plan.ramped:
        return None
    top = model.drive.top(before.row, row)
    return [
        (_drive(model, before, row).regulated(end, error, top)[0], error)
        for error in range(low, high + 1)
        for end in before.integral
    ]


def _steps(model: RowModel, before: Hidden, ends: list[tuple[int, int]], row: Row) -> bool:
    """Whether another step with the same error leads to the row."""
    return any(
        _leads(model, before, (low, high), (error, error), row)
        for (low, error), (high, _) in zip(ends[::2], ends[1::2], strict=True)
    )


def _leads(model: RowModel, before: Hidden, integral: Interval, errors: Interval, row: Row) -> bool:
    """Whether a PI step from ``integral`` with one of ``errors`` gives the row."""
    top = model.drive.top(before.row, row)
    return _drive(model, before, row).integrals(integral, errors, row, top) is not None


def _late(model: RowModel, before: Hidden, row: Row) -> bool:
    """Whether the error of the row before leads to this one."""
    low, high = before.row.target - before.row.reading[1], before.row.target - before.row.reading[0]
    if high < low or high - low > 8 or model.plan.ramped:
        return False
    return _leads(model, before, before.integral, (low, high), row)


def _missing_error(model: RowModel, before: Hidden, row: Row) -> int | None:
    """The error of one more step between the rows, if there is one that is near those of both."""
    low, high = _errors(row)
    last = before.row.target - before.row.reading[0]
    if high < low or high - low > 8 or model.plan.ramped or row.integral < 0:
        return None
    reach = 2 * max(abs(low), abs(last)) + model.plan.band
    top = model.drive.top(before.row, row)
    drive = _drive(model, before, row)
    for error in sorted(range(-reach, reach + 1), key=abs):
        ends = [drive.regulated(end, error, top)[0] for end in before.integral]
        if _leads(model, before, (ends[0], ends[1]), (low, high), row):
            return error
    return None


def _expected(model: RowModel, before: Hidden, row: Row) -> str:
    """Which values differ, and what the model makes of them."""
    low, high = _errors(row)
    if high < low:
        return "this spec's sensor gives no such reading"
    top = model.drive.top(before.row, row)
    ends = [
        _drive(model, before, row).regulated(end, error, top)
        for end, error in zip(before.integral, (low, high), strict=True)
    ]
    scales = sorted(model.drive.scale_of(drive) for _, drive in ends)
    to = f" to {scales[1]}" if scales[1] != scales[0] else ""
    differing = []
    if not scales[0] <= row.scale <= scales[1]:
        differing.append(f"scale {row.scale}, the model makes {scales[0]}{to}")
    if row.integral >= 0 and row.integral != ends[0][0]:
        differing.append(f"integral {row.integral}, the model makes {ends[0][0]}")
    return "; ".join(differing) or f"scale {row.scale} and its flags are not those of one step"
