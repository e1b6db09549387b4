"""What the quantiser hands on: the Plan with what its integers cost, and what they do at rest."""

from __future__ import annotations

from dataclasses import dataclass

from halfcycle.base.findings import Finding
from halfcycle.regulator.plan import Plan


@dataclass(frozen=True, slots=True)
class Coefficient:
    """A constant as wanted and as quantised, both in ``unit``."""

    name: str
    wanted: float
    got: float
    unit: str

    @property
    def error(self) -> float:
        """Relative error; 0 if nothing was wanted."""
        return self.got / self.wanted - 1 if self.wanted else 0.0


@dataclass(frozen=True, slots=True)
class Rest:
    """What the integer loop does at rest, over all corners."""

    windows: int
    """Windows until the last run was at rest, or was given up."""
    hunting_v: float
    """Greatest peak-to-peak movement of the output that was seen, volts RMS; 0 if every run came
    to rest."""
    hunting_steps: int
    """The scale's, at the board where that moves most, steps of 1/16384."""
    bound_v: float
    """What the output's movement cannot exceed on any board inside the tolerances, noise apart."""
    bound_steps: int
    """The same for the scale, steps of 1/16384."""
    error_v: float
    """Greatest distance of the reported voltage from rated there, volts RMS."""
    corner: str
    """The corner of ``hunting_v`` (or of ``error_v`` if nothing moves)."""
    still_v: float | None = None
    """As ``hunting_v``, of the runs in which the sensor's zero is where it should be; None: not
    told apart."""


@dataclass(frozen=True, slots=True)
class Quantised:
    """A Plan with what its integers cost."""

    plan: Plan
    coefficients: tuple[Coefficient, ...]
    counts_per_volt: float
    """Reading counts per output volt RMS."""
    reading_step_v: float
    """One reading count, volts RMS at the output."""
    output_step_v: float
    """Greatest step of the output, volts RMS."""
    dead_band_v: float
    """Half width in which the integrator does not move, volts RMS at the output."""
    integer_error_v: float
    """What the integers add to the steady error, volts RMS either way: the dead band and half a
    count of the target."""
    steady_error_v: float
    """Greatest steady error, volts RMS either way, the sensor's zero and gain apart: the window's
    own error (sampling, frequency, flipping zero), three standard deviations of noise, and
    ``integer_error_v``."""
    table_error: float
    """Bound on the drive table's error, as a fraction of the crest."""
    duty_error: float
    """Bound on the error of the duty to the clipped sine, counts either way."""
    turn_error_ppm: float | None
    """Bound on the error of the oscillator's frequency, clock apart; None: it has none."""
    findings: tuple[Finding, ...]
    rest: Rest | None = None
    """What the integer loop does at rest, once it has been run."""
