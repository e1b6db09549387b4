"""What a calibration says about the spec: which keys to change, and whether the boards fit it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

from halfcycle.base.findings import Finding, finding
from halfcycle.bench.calibrate import FEW, Calibration, Estimate, plus_minus
from halfcycle.spec.models import Spec, Value

GAIN = "sensor.volts_per_code"
ZERO = "sensor.zero_code"


ROUNDING = 1e-9
"""Of a share that is computed from readings: 10.1 V and 10 V are 1 % apart."""
MAX_DEPARTURE = 1 / 3
"""A fitted gain farther from the spec's than this share is a wrong column, unit or probe."""


@dataclass(frozen=True, slots=True)
class _Far:
    """How far a ``board`` is from a value, and the half width of that."""

    value: float
    half: float
    board: str

    @property
    def surely(self) -> float:
        """How far the near end of its interval is."""
        return self.value - self.half

    def beyond(self, tolerance: float) -> bool:
        """Whether even the near end of its interval is."""
        return self.surely > tolerance * (1 + ROUNDING)

    def on_either_side(self, tolerance: float) -> bool:
        """Whether the value is beyond, but not the near end."""
        return self.value > tolerance * (1 + ROUNDING) and not self.beyond(tolerance)


def changes(spec: Spec, calibration: Calibration) -> dict[str, Value]:
    """The keys whose fitted value differs from the spec's by more than chance explains; none from
    readings that cannot be trusted."""
    if _untrusted(spec, calibration):
        return {}
    fitted: dict[str, Value] = {}
    gain, zero = calibration.volts_per_code, calibration.zero_code
    if gain and _apart(gain, float(spec.sensor.volts_per_code)):
        fitted[GAIN] = rounded(gain)
    now = spec.sensor.zero_code
    # The key is a whole number: what rounds to the spec's is the spec's.
    if zero and _apart(zero, now) and abs(zero.value - now) > 0.5:
        fitted[ZERO] = round(zero.value)
    return fitted


def rounded(estimate: Estimate) -> Fraction:
    """The value to a tenth of its uncertainty, three to seven significant digits."""
    least = math.floor(math.log10(abs(estimate.value)))
    wanted = -math.floor(math.log10(max(estimate.uncertainty, 1e-300))) + 1
    places = min(max(wanted, 2 - least), 6 - least)
    return Fraction(f"{estimate.value:.{max(places, 0)}f}")


def inside(spec: Spec, calibration: Calibration, *, after: bool) -> bool:
    """Whether every board is within the spec's tolerances of its values (``after``: of the fitted
    ones, where they differ). False if that is not known."""
    if _untrusted(spec, calibration):
        return False
    changed, sensor = changes(spec, calibration) if after else {}, spec.sensor
    gains = _gains_off(spec, calibration)[GAIN in changed]
    zeros = _zeros_off(spec, calibration)[ZERO in changed]
    beyond = [far.beyond(float(sensor.gain_tolerance_percent)) for far in gains]
    beyond += [far.beyond(float(sensor.zero_tolerance_codes)) for far in zeros]
    return bool(beyond) and not any(beyond)


def findings(spec: Spec, calibration: Calibration, *, written: bool) -> tuple[Finding, ...]:
    """One finding per thing to know or to do: gain, zero, readings; or, if some readings cannot
    be trusted, those alone.

    ``written``: whether the fitted values have been written into the spec already.
    """
    if untrusted := _untrusted(spec, calibration):
        return (*untrusted, *_left_out(calibration))
    return (
        *_gain(spec, calibration, written),
        *_zero(spec, calibration, written),
        *_left_out(calibration),
    )


def spec_unchanged(spec: Spec, calibration: Calibration) -> Finding:
    """Why there was nothing to write."""
    if _untrusted(spec, calibration):
        why = "these readings cannot be trusted"
    else:
        why = "the spec's values agree with the readings"
    return finding("spec-unchanged", "spec", f"nothing was written: {why}")


def _untrusted(spec: Spec, calibration: Calibration) -> list[Finding]:
    """Sensors that do not measure, and gains that no sensor of the spec has."""
    untrusted = []
    for board in calibration.dead_boards:
        worst = max(
            (reading for reading in calibration.dead if reading.board == board),
            key=lambda reading: reading.meter_v or 0.0,
        )
        text = (
            f"{board} reads next to nothing while the meter shows up to {worst.meter_v:g} V: check "
            "the sensor's supply, its wiring and the ADC's channel"
        )
        untrusted.append(finding("sensor-dead", "readings", text))
    for board in calibration.stuck_boards:
        text = (
            f"{board}'s readings do not follow the meter's: check the sensor, and the table's "
            "columns"
        )
        untrusted.append(finding("reading-stuck", "readings", text))
    now = float(spec.sensor.volts_per_code)
    for fit in calibration.boards:
        departure = fit.volts_per_code.value / now - 1 if fit.volts_per_code else 0.0
        # The same factor either way: half and double are as far.
        if max(departure, 1 / (1 + departure) - 1) > MAX_DEPARTURE:
            text = (
                f"{fit.board} comes to {1 + departure:.3g} times the spec's volts per code: check "
                "the columns, their units and the probe; if the sensor has that gain, correct the "
                "spec first"
            )
            untrusted.append(finding("gain-implausible", GAIN, text))
    return untrusted


def _apart(estimate: Estimate, value: float) -> bool:
    return math.isfinite(estimate.uncertainty) and not estimate.low <= value <= estimate.high


def _gain(spec: Spec, calibration: Calibration, written: bool) -> Iterator[Finding]:
    gain, tolerance = calibration.volts_per_code, float(spec.sensor.gain_tolerance_percent)
    if gain is None:
        text = "no row has a voltage on the meter's and the firmware's side: take some at rated"
        yield finding("gain-unmeasured", GAIN, text)
        return
    now = float(spec.sensor.volts_per_code)
    off = 100 * (gain.value / now - 1)
    text = f"{gain.value:.6g} V per code, {round(off, 6) + 0.0:+.3g} % from the spec's {now:.6g}"
    if not math.isfinite(gain.uncertainty):
        text += "; from one reading, which says nothing of its scatter: take several"
        yield finding("gain-single-reading", GAIN, text)
    elif _apart(gain, now):
        new = changes(spec, calibration)[GAIN]
        text += f" (95 %: {plus_minus(gain.uncertainty, 2)}); {_do(written)} {float(new):g}"
        yield finding("gain-differs", GAIN, text)
    else:
        text += f", which is inside the 95 % interval of {plus_minus(gain.uncertainty, 2)}; keep it"
        yield finding("gain-agrees", GAIN, text)
    yield from _spread(
        "sensor.gain_tolerance_percent",
        "%",
        tolerance,
        _gains_off(spec, calibration),
        calibration.gain_reach_percent,
        boards=gain.readings,
        changed=GAIN in changes(spec, calibration),
        written=written,
    )


def _zero(spec: Spec, calibration: Calibration, written: bool) -> Iterator[Finding]:
    zero, now = calibration.zero_code, spec.sensor.zero_code
    if zero is None:
        yield from _zero_of_pairs(spec, calibration)
        return
    text = f"{zero.value:.5g}, {zero.value - now:+.3g} codes from the spec's {now}"
    if not math.isfinite(zero.uncertainty):
        text += "; from one reading, which says nothing of its scatter: take several"
        yield finding("zero-single-reading", ZERO, text)
    elif ZERO in changes(spec, calibration):
        text += f" (95 %: {plus_minus(zero.uncertainty, 2)}); {_do(written)} {round(zero.value)}"
        yield finding("zero-differs", ZERO, text)
    else:
        half = plus_minus(zero.uncertainty, 2)
        if zero.low <= now <= zero.high:
            text += f", which is inside the 95 % interval of {half}; keep it"
        else:
            text += f" (95 %: {half}), of which that is the nearest whole code; keep it"
        yield finding("zero-agrees", ZERO, text)
    yield from _spread(
        "sensor.zero_tolerance_codes",
        "codes",
        float(spec.sensor.zero_tolerance_codes),
        _zeros_off(spec, calibration),
        calibration.zero_reach_codes,
        boards=zero.readings,
        changed=ZERO in changes(spec, calibration),
        written=written,
    )


def _zero_of_pairs(spec: Spec, calibration: Calibration) -> Iterator[Finding]:
    tolerance = float(spec.sensor.zero_tolerance_codes)
    for fit in calibration.boards:
        if fit.zero_square is None:
            continue
        low, high = (math.sqrt(max(x, 0.0)) for x in (fit.zero_square.low, fit.zero_square.high))
        text = f"{fit.board}: the zero is off by {low:.3g} to {high:.3g} codes (95 %, sign unknown)"
        if low > tolerance:
            text += f", beyond the tolerance of {tolerance:g}: take mean_code readings"
            yield finding("zero-pairs-beyond", ZERO, text)
        else:
            yield finding(
                "zero-sign-unknown", ZERO, f"{text}; for its value take mean_code readings"
            )
    if all(fit.zero_square is None for fit in calibration.boards):
        text = "not visible in these readings; add a mean_code column, or pairs at low voltages"
        yield finding("zero-invisible", ZERO, text)


def _gains_off(spec: Spec, calibration: Calibration) -> tuple[list[_Far], list[_Far]]:
    """How far each board's gain is from the spec's, percent of it, and from the fitted one; none if
    none is fitted."""
    gain = calibration.volts_per_code
    gains = [(fit.board, fit.volts_per_code) for fit in calibration.boards]
    now = float(spec.sensor.volts_per_code)
    fitted = [] if gain is None else _far_from(gains, gain.value, 100 / gain.value)
    return _far_from(gains, now, 100 / now), fitted


def _zeros_off(spec: Spec, calibration: Calibration) -> tuple[list[_Far], list[_Far]]:
    """The same of its zero, codes."""
    zero = calibration.zero_code
    zeros = [(fit.board, fit.zero_code) for fit in calibration.boards]
    fitted = [] if zero is None else _far_from(zeros, round(zero.value), 1.0)
    return _far_from(zeros, spec.sensor.zero_code, 1.0), fitted


def _far_from(
    values: Iterable[tuple[str, Estimate | None]], centre: float, unit: float
) -> list[_Far]:
    """How far each board's value is from ``centre``; ``unit``s of the result are in one of the
    value. A single reading is taken as it stands."""
    return [
        _Far(
            unit * abs(value.value - centre),
            unit * value.half if math.isfinite(value.half) else 0.0,
            board,
        )
        for board, value in values
        if value is not None
    ]


def _spread(
    key: str,
    unit: str,
    tolerance: float,
    boards_off: tuple[list[_Far], list[_Far]],
    reach: float | None,
    *,
    boards: int,
    changed: bool,
    written: bool,
) -> Iterator[Finding]:
    """Whether the boards keep ``tolerance``: now, after the change (``boards_off``), and those
    not yet measured."""
    now, after = (max(fars, key=lambda far: far.surely) for fars in boards_off)
    if now.beyond(tolerance):
        text = (
            f"{now.board} is {now.value:.3g} {unit} from the spec's value, the tolerance is "
            f"{tolerance:g}"
        )
        held = after if changed else now
        if changed and not after.beyond(tolerance):
            text += f"; {after.value:.3g} {unit} from the fitted one: {_do(written)} that"
            yield finding("spread-recentred", key, text, "note" if written else "warning")
        else:
            text += f"; state at least {_up(held.value):g}, or sort the boards out"
            yield finding("spread-beyond", key, text)
    for far in boards_off[changed]:
        if far.on_either_side(tolerance):
            text = (
                f"{far.board} is {far.value:.3g} {plus_minus(far.half, 2)} {unit} from the "
                f"{'fitted' if changed else 'stated'} value, the tolerance is {tolerance:g}: its "
                "readings do not tell on which side it is; take more of it"
            )
            yield finding("spread-uncertain", key, text)
    if reach is None:
        text = f"one board does not show the spread; measure several (tolerance {tolerance:g})"
        yield finding("spread-one-board", key, text)
        return
    text = (
        f"99 % of all boards lie within {plus_minus(reach, 3)} {unit} of the fitted value "
        f"(95 % confidence, normal spread), the tolerance is +-{tolerance:g} {unit}"
    )
    if reach > tolerance and not now.beyond(tolerance):
        text += f"; measure more boards, or state {_up(reach):g}"
        if boards <= FEW:
            kept = f"the tolerance is +-{tolerance:g} {unit}"
            text = f"{boards} boards show little of the spread ({kept}); measure more"
        yield finding("spread-uncertain", key, text)
    else:
        yield finding("spread-reach", key, f"{text}; nothing to do" if reach <= tolerance else text)


def _left_out(calibration: Calibration) -> Iterator[Finding]:
    """Readings and boards that decided on nothing."""
    for outlier in calibration.outliers:
        name = f"line {outlier.line} ({outlier.board})" if outlier.line else outlier.board
        others = "its board's others" if outlier.line else "the other boards"
        text = (
            f"{name} is {outlier.deviation_percent:+.3g} % off {others} in volts per code, "
            f"{outlier.sigmas:.3g} robust standard deviations: left out; take it again"
        )
        yield finding("reading-outlier", "readings", text)
    for reading in calibration.dead:
        if reading.board not in calibration.dead_boards:
            text = (
                f"line {reading.line} ({reading.board}) reads next to nothing at "
                f"{reading.meter_v:g} V: left out; take it again"
            )
            yield finding("reading-outlier", "readings", text)


def _do(written: bool) -> str:
    return "the spec now says" if written else "the spec should say"


def _up(value: float) -> float:
    """Two digits, rounded up."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1) if value > 0 else 1.0
    return float(f"{math.ceil(value / step - 1e-9) * step:.2g}")
