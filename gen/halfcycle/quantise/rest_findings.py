"""What is said of an integer loop that does not rest, or rests off the target.

The remedy is not guessed: the loop is run again with finer steps of the output and with finer codes
of the converter, and what either leaves of the movement is said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from halfcycle.base.findings import Finding, Level, finding
from halfcycle.design.types import Design, Trial
from halfcycle.quantise.quantised import Rest
from halfcycle.spec.bounds import MAX_ADC_BITS, MAX_PWM_COUNTS
from halfcycle.spec.models import Spec

LOUD = 0.25
"""Movement that is told, share of the tolerance."""
HELPS = 0.5
"""A remedy is named as one if it leaves less than this share of the movement."""
FINER = 4
"""How many times finer the steps or codes of a remedy are."""

Moved = Callable[[Spec], float]
"""Movement at rest, peak to peak, volts RMS, of the same loop with another spec's integers."""


def rest_findings(design: Design, rest: Rest, moved: Moved) -> Iterator[Finding]:
    """Remarks on a loop that does not come to rest, or comes to rest off the target. What an odd
    window's flipping zero does is said where the windows are compared, and left out here."""
    tolerance_v = design.chosen.tolerance_v
    seen_v, bound_v = moved_v(rest.hunting_v, design.chosen), moved_v(rest.bound_v, design.chosen)
    if seen_v > LOUD * tolerance_v:
        yield _no_rest(design, rest, moved, "error" if seen_v > tolerance_v else "warning")
    if bound_v > 2 * tolerance_v and seen_v <= tolerance_v:
        yield finding(
            "rest-unproven",
            "targets.voltage_tolerance_percent",
            f"that the output moves by no more than twice the tolerance, {2 * tolerance_v:.3g} V, "
            f"at rest is not proven: the bound over all boards is {rest.bound_v:.3g} V, while "
            f"none that was run moves by more than {rest.hunting_v:.3g} V; raise "
            "bridge.pwm_counts or widen the tolerance",
        )
    if rest.error_v > tolerance_v:
        yield finding(
            "rest-off-target",
            "targets.voltage_tolerance_percent",
            f"the integer loop rests {rest.error_v:.3g} V off the target at {rest.corner}, more "
            f"than the tolerance of {tolerance_v:.3g} V; widen the tolerance or raise the gains",
        )


def moved_v(movement_v: float, trial: Trial) -> float:
    """What is left of a movement, peak to peak, without that of an odd window's flipping zero."""
    return max(0.0, movement_v - 2 * trial.hunting_v)


def _no_rest(design: Design, rest: Rest, moved: Moved, level: Level) -> Finding:
    plural = "" if rest.hunting_steps == 1 else "s"
    moves = (
        f"the integer loop does not come to rest at {rest.corner}: the output moves by "
        f"{rest.hunting_v:.3g} V, and a scale by up to {rest.hunting_steps} step{plural} of 1/16384"
    )
    window = design.window
    still_v = rest.hunting_v if rest.still_v is None else rest.still_v
    if window.blocks > 1 and still_v < rest.hunting_v / 2:
        return finding(
            "no-rest",
            "sensor.zero_tolerance_codes",
            f"{moves}, as the window reads the sensor's zero error as a ripple at the mains "
            "frequency; trim the zero, use a window that cancels it there (a longer "
            "loop.samples), or widen the tolerance",
            level,
        )
    if not (window.within_clock or window.shaped):
        return finding(
            "no-rest",
            "loop.period_us",
            f"{moves}, as the reading of a window that is not whole moves with the phase; "
            "change the loop period for a whole window, or widen the tolerance",
            level,
        )
    remedies = [(moved(spec), words, steps) for spec, words, steps in _finer(design.spec)]
    left_v, words, steps = min(remedies, default=(math.inf, "", True))
    key = "bridge.pwm_counts" if steps else "sensor.adc_bits"
    if left_v < HELPS * rest.hunting_v:
        text = f"{moves}; {words} leaves {left_v:.3g} V of that; or widen the tolerance"
        return finding("no-rest", key, text, level)
    tried = ", ".join(f"{words} leaves {left_v:.3g} V" for left_v, words, _ in remedies)
    tried = tried or "there are none"
    return finding(
        "no-rest",
        "targets.voltage_tolerance_percent",
        f"{moves}; finer integers hardly help ({tried}): widen the tolerance",
        level,
    )


def _finer(spec: Spec) -> Iterator[tuple[Spec, str, bool]]:
    """The spec with finer steps of the output, and with finer codes of the converter: each in
    words, and whether it is the steps."""
    counts = min(FINER * spec.bridge.pwm_counts, MAX_PWM_COUNTS)
    if counts > spec.bridge.pwm_counts:
        bridge = spec.bridge.model_copy(update={"pwm_counts": counts})
        yield spec.model_copy(update={"bridge": bridge}), f"pwm_counts = {counts}", True
    sensor, bits = spec.sensor, FINER.bit_length() - 1
    if sensor.adc_bits + bits > MAX_ADC_BITS:
        return
    finer = sensor.model_copy(
        update={
            "adc_bits": sensor.adc_bits + bits,
            "zero_code": FINER * sensor.zero_code,
            "volts_per_code": sensor.volts_per_code / FINER,
            "zero_tolerance_codes": FINER * sensor.zero_tolerance_codes,
            "noise_codes_rms": FINER * sensor.noise_codes_rms,
        }
    )
    yield spec.model_copy(update={"sensor": finer}), f"an ADC of {finer.adc_bits} bits", False
