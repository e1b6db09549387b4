"""What a duty that is held from call to call adds to the output, unseen by the reading.

Called every ``tau``, the drive makes a staircase: beside the sine, images at f + j/tau for every
whole j. The filter passes some of each. A reading sampled every T sees images that differ from the
sine by whole multiples of 1/T as the sine itself, so the loop holds sine and images together at the
sample instants, and the true RMS is off by whatever the images have there and between them.
Periodic steady state of the linear circuit; clipping and the bus's own resistance are left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

import numpy as np

from halfcycle.base.exact import text
from halfcycle.base.findings import Finding, finding
from halfcycle.loop.corner_filters import (
    corner_filters,
    corner_loads,
    filter_near,
    nominal_filter,
    resonance_hz,
    ringing_loads,
)
from halfcycle.loop.filter_model import (
    Complex,
    FilterCircuit,
    Real,
    state_matrices,
)
from halfcycle.spec.models import Spec

MIN_IMAGES, MAX_IMAGES = 20, 400
PASSED = 4.0
"""Images either side of the sine: at least so many, and up to this many times the fastest
resonance. Beyond it the staircase and the filter let through the cube of the order's inverse."""
PLACES = 24
"""Places of a sample within the time between two calls that are looked at."""
BETWEEN = 24
"""Resonances between the ends of the tolerances that are looked at, besides those at images."""
MOST_CALLS = 32
"""Counts of calls in a loop period, above the resonance, among which the fewest that serve is
sought."""
MOST_SHOWN = 2.0
"""Errors beyond are told as more than this."""
WORTH_SAYING = 4
"""An error of more than the tolerance over this is told."""


class TrueRms(NamedTuple):
    """By how much the true RMS is off what a whole window reads, shares of it, least and most."""

    low: float
    high: float

    @property
    def size(self) -> float:
        """The greater of the two, without its sign."""
        return max(abs(self.low), abs(self.high))


@dataclass(frozen=True, slots=True)
class DriveRate:
    """At every place of the sample between two calls: ``nominal`` with the nominal parts under
    every load, ``worst`` over the filters inside the tolerances."""

    nominal: TrueRms
    worst: TrueRms


def drive_rate(spec: Spec, call_s: Fraction) -> DriveRate:
    """What calling the drive every ``call_s`` seconds does to the true RMS.

    ``call_s`` is above 0, and short enough for more than two calls a cycle.
    """

    def off(circuits: list[FilterCircuit]) -> TrueRms:
        f = spec.output.frequency_hz
        errors = true_rms_errors(circuits, f, call_s, _period_s(spec))
        return TrueRms(float(errors.min()), float(errors.max()))

    nominal = off([nominal_filter(spec, load) for load in corner_loads(spec)])
    inside = off(_filters(spec, call_s))
    worst = TrueRms(min(nominal.low, inside.low), max(nominal.high, inside.high))
    return DriveRate(nominal, worst)


def true_rms_errors(
    circuits: list[FilterCircuit], frequency_hz: Fraction, call_s: Fraction, period_s: Fraction
) -> Real:
    """True RMS over the RMS that samples have, less 1: (B, PLACES), for samples every ``period_s``
    seconds at evenly spaced places after a call."""
    f, call = frequency_hz, call_s
    fastest = max(resonance_hz(circuit) for circuit in circuits)
    images = min(MAX_IMAGES, max(MIN_IMAGES, math.ceil(PASSED * fastest * float(call))))
    orders = np.arange(-images, images + 1)
    hertz = float(f) + orders / float(call)
    passed = _transfer(circuits, 2 * math.pi * hertz)
    # A held value is a pulse that begins with the call: its middle is half a call late.
    held = np.sinc(hertz * float(call)) * np.exp(-1j * math.pi * hertz * float(call))
    lines = passed * held
    power = (np.abs(lines) ** 2).sum(axis=1)
    at = float(call) * np.arange(PLACES) / PLACES
    # Lines that differ by whole multiples of the sampling rate look like one.
    alike = [int(order) * period_s / call % 1 for order in orders]
    seen = np.zeros((len(circuits), PLACES))
    for place in set(alike):
        rows = [row for row, other in enumerate(alike) if other == place]
        turned = np.exp(2j * math.pi * np.outer(hertz[rows], at))
        seen += np.abs(lines[:, rows] @ turned) ** 2
    return np.asarray(np.sqrt(power[:, None] / seen) - 1, dtype=np.float64)


def findings(spec: Spec) -> Iterator[Finding]:
    """What to say of the rate of the drive: of the one that the spec states, or of the loop's."""
    stated = spec.bridge.pwm_period_us
    limit = float(spec.targets.voltage_tolerance_percent) / 100
    call_s = _period_s(spec) if stated is None else stated / 1_000_000
    if 2 * spec.output.frequency_hz * call_s >= 1:
        return  # Fewer than two calls a cycle are no sine.
    rate = drive_rate(spec, call_s)
    if rate.worst.size <= limit / WORTH_SAYING:
        return
    calls = f"{spec.name}_drive or {spec.name}_duty"
    off = (
        f"whose images pass the filter: the true RMS is off by {_percent(rate.nominal)} with the "
        f"nominal parts, and by {_percent(rate.worst)} inside their tolerances, while the reading "
        f"looks right; {_fewest(spec, limit / WORTH_SAYING)}"
    )
    if stated is None:
        yield finding(
            "drive-rate",
            "bridge.pwm_period_us",
            f"call {calls} in every PWM period. Called once per loop period "
            f"({text(spec.loop.period_us)} us) they make a staircase {off}",
            "note",
        )
        return
    yield finding(
        "drive-rate",
        "bridge.pwm_period_us",
        f"{calls}, called every {text(stated)} us, make a staircase {off}",
        "warning" if rate.worst.size > limit else "note",
    )


def _percent(off: TrueRms) -> str:
    high = f"{100 * off.high:+.3g}" if off.high < MOST_SHOWN else f"more than +{100 * MOST_SHOWN:g}"
    return f"{100 * off.low:+.3g} to {high} %"


def _fewest(spec: Spec, limit: float) -> str:
    """How often the drive must be called for the images not to matter."""
    fastest = max(resonance_hz(circuit) for circuit in corner_filters(spec))
    # Above every resonance a filter passes the less the higher the image.
    first = math.ceil(fastest * float(_period_s(spec))) + 1
    for calls in range(first, first + MOST_CALLS):
        call_s = _period_s(spec) / calls
        if drive_rate(spec, call_s).worst.size <= limit:
            return f"every {float(call_s * 1_000_000):.4g} us or more often is enough"
    return "use a filter that passes less above the mains frequency"


def _period_s(spec: Spec) -> Fraction:
    return spec.loop.period_us / 1_000_000


def _filters(spec: Spec, call_s: Fraction) -> list[FilterCircuit]:
    """The corners, and filters inside the tolerances: those that resonate at an image, and some
    between, as samples may see sine and image cancel each other beside the resonance."""
    corners, f = corner_filters(spec), float(spec.output.frequency_hz)
    inside = []
    for load in ringing_loads(spec):
        ends = [resonance_hz(circuit) for circuit in corners if circuit.load == load]
        wanted = list(np.linspace(min(ends), max(ends), BETWEEN)) if ends else []
        wanted += [order / float(call_s) + side * f for order in (1, 2, 3) for side in (-1, 1)]
        inside += [filter_near(spec, load, float(hertz)) for hertz in wanted]
    return [*corners, *inside]


def _transfer(circuits: list[FilterCircuit], angular: Real) -> Complex:
    """Output over bridge voltage (B, K) at each of ``angular`` (K,), rad/s, of either sign."""
    a, b, c = state_matrices(circuits)
    resolvent = 1j * angular[None, :, None, None] * np.eye(3) - a[:, None]
    states = np.linalg.solve(resolvent, b[:, None, :, None].astype(complex))[..., 0]
    return np.asarray(np.einsum("bks,bs->bk", states, c), dtype=np.complex128)
