"""The model check of a log: no row of the model's own is refused, and others are named."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from halfcycle.bench.log_check import CheckedLog, LogCheck
from halfcycle.bench.log_readings import ReadingsOf, readings_of_millivolts
from halfcycle.bench.log_rows import LogRows
from halfcycle.regulator.model import Regulator, reading_of
from halfcycle.regulator.plan import (
    FLAG_BROWNOUT,
    FLAG_HELD,
    FLAG_IMPLAUSIBLE,
    FLAG_IN_BAND,
    FLAG_LIMIT,
    FLAG_MISSED,
    FLAG_OVER,
    FLAG_SETTLED,
    FLAGS,
    Plan,
)
from halfcycle.regulator.trace import scale_by
from support.bench_logs import Log, board_log
from support.effort import the_rest_long
from support.plan_cases import CASES


def checked(plan: Plan, rows: LogRows, pieces: int = 3) -> CheckedLog:
    check, readings = LogCheck(plan), ReadingsOf(plan)
    size = len(rows) // pieces + 1
    for first in range(0, len(rows), size):
        part = rows.rows(slice(first, first + size))
        check.feed(part, readings.of(part))
    return check.done()


def rough_log(plan: Plan, updates: int, seed: int, firmware: type[Regulator] = Regulator) -> Log:
    """A log of what may happen: targets at any time, limiters that act, blocks missed, sensors that
    fail and return, resets, rows lost."""
    rng = random.Random(seed)
    regulator, log = firmware(plan), Log()
    target_mv, level, failing, limited = plan.rated_mv, 0.0, 0, 0
    regulator.set_target_mv(target_mv)
    for _ in range(updates):
        late = rng.random() < 0.3
        wanted = target_mv
        if rng.random() < 0.03:
            wanted = rng.choice([0, 0, plan.rated_mv, rng.randrange(plan.rated_mv), 10**6])
        if rng.random() < 0.003:
            regulator.reset()
            wanted = plan.rated_mv
        failing = rng.choice([0, 0, 1, 2]) if rng.random() < 0.03 else failing
        limited = rng.choice([1, 3, 12]) if rng.random() < 0.02 else max(0, limited - 1)
        gain = rng.choice([1.1, 1.3]) if rng.random() < 0.01 else 1.2
        level += 0.7 * (gain * regulator.scale() / 16384 - level)
        if wanted != target_mv and not late:
            regulator.set_target_mv(wanted)
        for _ in range(rng.choice([1] * 60 + [2, 3])):
            root = plan.measure == "rms"
            units = max(0.0, level * plan.target_rated * (1 + rng.gauss(0, 0.003)))
            total = units ** (1 + root) * 2**plan.reading_shift / sum(plan.block_weights)
            block = min(int(total), plan.block_max)
            if limited and rng.random() < 0.7:
                regulator.hold()
            if failing == 0:
                regulator.close_with(block)
            elif failing == 1:
                regulator.close_window(0, plan.block_max // 5)  # Stuck below the zero.
                block = plan.block_max // 5
            else:
                regulator.close_window(0, 0)
                block = 0
        regulator.update()
        if wanted != target_mv and late:
            regulator.set_target_mv(wanted)
        target_mv = wanted
        if rng.random() < 0.995:
            counted = regulator.updates[regulator.output_sequence & 1]
            log.add(regulator, counted, target_mv, block)
    return log


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("sums", "integral"), [(False, False), (True, True), (True, False)])
def test_no_row_of_the_model_is_refused(case: str, sums: bool, integral: bool) -> None:
    plan = CASES[case]
    rows = rough_log(plan, 1200, 7).arrays(sums=sums, integral=integral)
    seen = int(np.bitwise_or.reduce(rows.flags))
    wanted = FLAG_HELD | FLAG_IMPLAUSIBLE | FLAG_MISSED | FLAG_OVER | FLAG_SETTLED
    assert seen & wanted == wanted
    result = checked(plan, rows)
    assert result.first is None, result.first
    assert result.rows == len(rows) and result.gaps > 0 and result.compared > 1000


class RisesWhileHeld(Regulator):
    def _regulate(self, error: int, top: int) -> int:
        return super()._regulate(error, self.plan.drive_max)


class ClimbsWhileItWaits(Regulator):
    def _climb(self, target: int, waits: int) -> int:
        return super()._climb(target, 0)


class LeavesMoreThanEnough(Regulator):
    def _safe(self, least: int, reading: int, target: int) -> int:
        return super()._safe(least, reading, self.plan.target_max)


class AwaitsNothing(Regulator):
    def _await_whole_window(self, elapsed: int) -> int:
        return 0


class RaisesWhatDoesNotShow(Regulator):
    def _is_unshown(self, scale: int, reading: int, error: int) -> bool:
        return False


class HoldsOneBlock(Regulator):
    def _is_held(self, held: int) -> int:
        return held


class ForgetsTheLeast(Regulator):
    def _least_of_three_windows(self, scale: int) -> int:
        super()._least_of_three_windows(scale)
        return scale


@pytest.mark.parametrize(
    ("firmware", "case"),
    [
        (RisesWhileHeld, "mean"),
        (RisesWhileHeld, "moving flat"),
        (ClimbsWhileItWaits, "mean ramped"),
        (ClimbsWhileItWaits, "moving shaped rms ramped"),
        (LeavesMoreThanEnough, "mean"),
        (AwaitsNothing, "moving flat"),
        (RaisesWhatDoesNotShow, "moving two updates"),
        (HoldsOneBlock, "moving flat"),
        (ForgetsTheLeast, "mean"),
        (ForgetsTheLeast, "moving flat"),
    ],
)
def test_a_firmware_that_does_otherwise_is_noticed(firmware: type[Regulator], case: str) -> None:
    plan = CASES[case]
    rows = rough_log(plan, 1200, 7, firmware).arrays(sums=True, integral=True)
    assert checked(plan, rows).first is not None


@pytest.mark.parametrize("case", ["mean latched", "moving latched"])
def test_a_firmware_that_goes_on_after_a_failed_sensor_is_noticed(case: str) -> None:
    plan = CASES[case]
    other = replace(plan, latched=False)
    for ours, theirs in ((plan, other), (other, plan)):
        rows = rough_log(theirs, 1200, 7).arrays(sums=True, integral=True)
        assert checked(ours, rows).first is not None


NOTICED = {
    "mean ramped": FLAG_OVER | FLAG_IN_BAND | FLAG_SETTLED | FLAG_LIMIT | FLAG_BROWNOUT,
    # In a plain window a row does not tell whether a block was missed, or a limiter acted.
    "rms": FLAG_OVER | FLAG_IN_BAND | FLAG_SETTLED | FLAG_LIMIT | FLAG_BROWNOUT,
    "moving two updates": FLAG_HELD | FLAG_OVER | FLAG_IN_BAND | FLAG_SETTLED | FLAG_LIMIT,
}


@pytest.mark.parametrize("case", the_rest_long(NOTICED, ["mean ramped", "moving two updates"]))
def test_a_changed_value_of_a_rough_log_is_noticed(case: str) -> None:
    """With sums and integral, at whatever state the log is: a ramp that climbs, a limiter that
    acts, a window that is awaited."""
    plan, rng = CASES[case], random.Random(2)
    rows = rough_log(plan, 500, 3).arrays(sums=True, integral=True)
    bits = [bit for _, bit, _ in FLAGS if NOTICED[case] & bit]
    changes = [("scale", 1), ("scale", -1), ("integral", 1), ("integral", -1), ("rms_mv", 1)]
    for name, change in [*changes, *(("flags", bit) for bit in bits)]:
        for at in rng.sample(range(60, len(rows) - 40), 8):
            values = getattr(rows, name).copy()
            values[at] = values[at] ^ change if name == "flags" else values[at] + change
            if values[at] < 0 or rows.update[at] != rows.update[at - 1] + 1:
                continue
            part = replace(rows, **{name: values}).rows(slice(at - 60, at + 40))
            assert checked(plan, part, 1).first is not None, (name, change, at)


def quiet_log(plan: Plan, updates: int = 120) -> Log:
    """A board at work: a target step half way, some noise."""
    targets = [(0, plan.rated_mv * 9 // 10), (updates // 2, plan.rated_mv)]
    return board_log(plan, 1.2, 0.8, targets, updates, 1e-3, seed=3)


@pytest.mark.parametrize("name", ["scale", "flags", "integral", "rms_mv", "sum"])
@pytest.mark.parametrize("case", ["mean", "moving flat", "moving shaped rms ramped"])
def test_a_value_that_is_off_by_one_is_noticed(case: str, name: str) -> None:
    plan = CASES[case]
    rows = quiet_log(plan, 400).arrays(sums=True, integral=True)
    values = getattr(rows, name).copy()
    # A sum off by less than a reading's rounding makes the same reading.
    values[300] += 40 << plan.reading_shift if name == "sum" else 1
    result = checked(plan, replace(rows, **{name: values}))
    assert result.first is not None
    # A sum stays in the ring for a window.
    assert 302 <= result.first.line <= 302 + (plan.blocks if name == "sum" else 0)


def test_a_gain_off_by_a_thousandth_is_noticed_without_sums() -> None:
    """What is open of the integrator stays small over many rows, where each alone says little."""
    plan = CASES["mean"]
    other = replace(plan, integral=plan.integral + plan.integral // 1000)
    rows = quiet_log(other, 400).arrays()
    assert checked(other, rows).first is None
    assert checked(plan, rows).first is not None


def scaled(rows: LogRows, factor: float) -> LogRows:
    return replace(rows, rms_mv=np.round(rows.rms_mv * factor).astype(np.int64))


@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_other_gains_are_named(case: str) -> None:
    plan = CASES[case]
    other = replace(plan, integral=plan.integral * 5 // 4)
    for integral in (False, True):
        result = checked(plan, quiet_log(other).arrays(sums=integral, integral=integral))
        assert result.cause is not None and result.cause.kind == "gains", result.cause
        assert "1.25 times" in result.cause.text


@pytest.mark.parametrize("case", ["mean", "moving flat"])
@pytest.mark.parametrize("sums", [False, True])
def test_another_sensor_is_named_with_its_ratio(case: str, sums: bool) -> None:
    """Without sums by what the drive answers to: the ratio is that of the readings at rest."""
    plan = CASES[case]
    rows = quiet_log(plan).arrays(sums=sums, integral=sums)
    result = checked(plan, scaled(rows, 1.1))
    assert result.cause is not None and result.cause.kind == "scaling"
    # With sums it is that of the first row, whose millivolts are coarse.
    assert result.cause.ratio == pytest.approx(1.1, rel=3e-3 if sums else 1e-3)


def doctored(plan: Plan, what: str, sums: bool) -> CheckedLog:
    """A log of a firmware that does one thing wrong, right after the step, at update 62."""
    regulator, log = (RisesWhileHeld if what == "held" else Regulator)(plan), Log()
    level, total, rng = 0.0, 0, random.Random(5)
    millivolts = plan.millivolt_gain, plan.millivolt_shift
    for update in range(1, 100):
        target = plan.rated_mv if update > 60 else plan.rated_mv * 9 // 10
        regulator.set_target_mv(target)
        level += 0.8 * (1.2 * regulator.scale() / 16384 - level)
        units = level * plan.target_rated * (1 + rng.gauss(0, 1e-3))
        last_total, total = total, int(units * 2**plan.reading_shift / sum(plan.block_weights))
        wrong = update == 62
        if wrong and what == "held":
            regulator.hold()
        regulator.close_with(last_total if wrong and what == "late" else total)
        regulator.update()
        if wrong and what == "twice":
            regulator.close_with(total)
            regulator.update()
        if not (wrong and what == "unlogged"):
            log.add(regulator, update - (what == "unlogged" and update > 62), target, total)
        if wrong and what == "late":
            fresh = scale_by(np.array([reading_of(plan, total)]), *millivolts)
            log.rows[-1] = (*log.rows[-1][:2], int(fresh[0]), *log.rows[-1][3:])
        if wrong and what == "ahead":
            log.rows[-1] = (*log.rows[-1][:2], log.rows[-2][2], *log.rows[-1][3:])
        if wrong and what == "torn":
            row, last = log.rows[-1], log.rows[-2]
            torn = (row[6] & ~0xFFFF) | (last[6] & 0xFFFF)
            log.rows[-1] = (*row[:6], torn)
        if wrong and what == "flags":
            row = log.rows[-1]
            log.rows[-1] = (*row[:4], row[4] ^ 0x10, *row[5:])
        if wrong and what == "skipped":
            row, last = log.rows[-1], log.rows[-2]
            log.rows[-1] = (*row[:3], last[3], last[4], row[5], last[6])
    return checked(plan, log.arrays(sums=sums, integral=sums))


@pytest.mark.parametrize(
    ("what", "kind", "words"),
    [
        ("twice", "twice", "done twice"),
        ("unlogged", "unlogged", "not in the log"),
        ("torn", "torn", "integral is half"),
        ("flags", "flags", "LIMIT"),
        ("held", "flags", "HELD"),
        ("skipped", "skipped", "missed"),
        ("late", "late", "the reading before this one"),
        ("ahead", "late", "ahead of the update"),
    ],
)
def test_the_cause_is_named(what: str, kind: str, words: str) -> None:
    result = doctored(CASES["mean integral only"], what, sums=True)
    assert result.first is not None and result.cause is not None
    assert result.first.update == 62 and result.cause.kind == kind, result.cause
    assert words in result.cause.text


def test_a_reading_that_is_a_row_late_is_no_other_gain() -> None:
    """Bug: rms_mv a row behind its sums differs in many rows, and the gains that explain the drive
    best, 0.99 of the spec's, took the place of the cause that was known."""
    plan = CASES["mean"]
    targets = [(0, plan.rated_mv * 9 // 10), (60, plan.rated_mv)]
    rows = board_log(plan, 1.2, 0.8, targets, 120, 1e-3).arrays(sums=True, integral=True)
    assert checked(plan, rows).first is None
    late = np.concatenate([rows.rms_mv[:1], rows.rms_mv[:-1]])
    result = checked(plan, replace(rows, rms_mv=late))
    assert result.differing > 50 and result.cause is not None
    assert result.cause.kind == "late" and "ahead of the update" in result.cause.text


OFF = [("rms_mv",), ("scale",), ("integral",), ("rms_mv", "scale", "flags")]


@pytest.mark.parametrize("late", [True, False])
@pytest.mark.parametrize(
    ("case", "sums"),
    [("mean", True), ("mean", False), ("moving flat", True), ("normalised", False)],
)
def test_columns_that_are_a_row_late_or_early_are_named(case: str, sums: bool, late: bool) -> None:
    """Bug: of a scale that was read ahead of its update "none that is known explains it" was said.
    The columns are moved by hand in a log of the model's own."""
    plan = CASES[case]
    step_at = 40 * plan.updates
    targets = [(0, plan.rated_mv * 9 // 10), (step_at, plan.rated_mv)]
    rows = board_log(plan, 1.2, 0.8, targets, 2 * step_at, 1e-3).arrays(sums=sums, integral=sums)
    for names in OFF:
        # Without sums, all but the target a row late is the target a row early.
        if not sums and names in (("integral",), ("rms_mv", "scale", "flags")):
            continue
        moved = {name: np.roll(getattr(rows, name), 1 if late else -1) for name in names}
        # The row without a neighbour is left out.
        part = slice(1, None) if late else slice(None, -1)
        result = checked(plan, replace(rows, **moved).rows(part))
        assert result.cause is not None and result.cause.kind == ("late" if late else "early")
        words = f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]
        place = "before: read ahead of the update" if late else "after: read when the next update"
        assert result.cause.text.startswith(f"{words} "), result.cause
        assert f"of the row {place}" in result.cause.text


def test_columns_that_explain_a_log_equally_well_are_both_named() -> None:
    """Bug: a reading a row early was called a scale a row late, which few rows tell apart, and the
    firmware's line that was right was looked at."""
    plan = CASES["mean latched"]
    targets = [(0, plan.rated_mv * 9 // 10), (40, plan.rated_mv)]
    rows = board_log(plan, 1.2, 0.8, targets, 80, 1e-3).arrays()
    early = checked(plan, replace(rows, rms_mv=np.roll(rows.rms_mv, -1)).rows(slice(None, -1)))
    late = checked(plan, replace(rows, scale=np.roll(rows.scale, 1)).rows(slice(1, None)))
    for result in (early, late):
        assert result.cause is not None
        assert result.cause.text == (
            "scale is that of the row before: read ahead of the update; or "
            "rms_mv is that of the row after: read when the next update was done"
        )


def test_a_target_that_is_logged_before_it_is_set_is_named() -> None:
    """One row differs: the first with the new target. One that is set after its update is what a
    row may say."""
    plan = CASES["mean"]
    targets = [(0, plan.rated_mv * 9 // 10), (60, plan.rated_mv)]
    rows = board_log(plan, 1.2, 0.8, targets, 120, 1e-3).arrays()
    late = checked(plan, replace(rows, target=np.roll(rows.target, 1)).rows(slice(1, None)))
    assert late.differing == 1 and late.cause is not None
    assert late.cause.kind == "late" and late.cause.text.startswith("target_mv is that of the row")
    early = checked(plan, replace(rows, target=np.roll(rows.target, -1)).rows(slice(-1)))
    assert early.first is None


def test_a_reading_that_is_thousands_of_times_off_is_of_another_spec() -> None:
    """Bug: 0.00024 times what the sum makes was called another sensor."""
    plan = CASES["mean"]
    rows = board_log(plan, 1.2, 0.8, [(0, plan.rated_mv)], 60).arrays(sums=True, integral=True)
    far = checked(plan, replace(rows, rms_mv=rows.rms_mv // 4000))
    assert far.cause is not None and "the log is of another spec" in far.cause.text
    near = checked(plan, replace(rows, rms_mv=rows.rms_mv * 11 // 10))
    assert near.cause is not None and "another sensor.volts_per_code" in near.cause.text


@pytest.mark.parametrize("sums", [False, True])
def test_a_wrong_reading_alone_is_no_missed_update(sums: bool) -> None:
    """At rest, where scale, integral and flags stay as they are."""
    plan = CASES["mean"]
    log = board_log(plan, 1.2, 0.8, [(0, plan.rated_mv)], 120)
    rows = log.arrays(sums=sums, integral=True)
    values = rows.rms_mv.copy()
    values[100] = values[100] * 9 // 10
    result = checked(plan, replace(rows, rms_mv=values))
    assert result.first is not None and result.first.update == 101
    assert result.cause is not None and result.cause.kind == "reading", result.cause
    assert "alone is wrong" in result.cause.text


@pytest.mark.parametrize("case", CASES)
def test_readings_of_millivolts_are_all_that_show_them(case: str) -> None:
    plan = CASES[case]
    readings = np.arange(0, min(plan.reading_max, 3000), dtype=np.int64)
    shown = scale_by(readings, plan.millivolt_gain, plan.millivolt_shift)
    low, high = readings_of_millivolts(plan, shown)
    for reading, least, most, value in zip(readings, low, high, shown, strict=True):
        same = readings[shown == value]
        assert least <= reading <= most and least == same.min()
    beyond = np.setdiff1d(np.arange(int(shown.max())), shown)[:200]
    low, high = readings_of_millivolts(plan, beyond)
    assert (high < low).all()


@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_a_board_at_rest_with_another_sensor_does_not_read_ahead(case: str) -> None:
    """Readings that stand still are those of the row before, too."""
    plan = CASES[case]
    rows = board_log(plan, 1.2, 0.8, [(0, plan.rated_mv)], 200, 0.0).arrays(sums=True)
    at_rest = rows.rows(slice(100, 200))
    off = replace(at_rest, rms_mv=np.round(at_rest.rms_mv * 0.986).astype(np.int64))
    cause = checked(plan, off, 1).cause
    assert cause is not None and cause.kind == "scaling", cause


@pytest.mark.parametrize("case", ["mean", "moving flat"])
def test_a_wrong_sum_is_not_blamed_on_the_reading(case: str) -> None:
    plan = CASES[case]
    rows = quiet_log(plan, 200).arrays(sums=True, integral=True)
    assert rows.sum is not None
    wrong = rows.sum.copy()
    wrong[150] = wrong[150] * 21 // 20
    cause = checked(plan, replace(rows, sum=wrong)).cause
    assert cause is not None and cause.text.startswith("sum is wrong"), cause
