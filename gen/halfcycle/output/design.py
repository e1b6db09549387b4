"""The JSON of ``halfcycle design``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from halfcycle.design import types as domain
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.output.light import Means
from halfcycle.output.windows import MeanError, RmsError, WindowBase, shape


@dataclass(frozen=True, slots=True)
class WeighedWindow(WindowBase):
    """A window with what it would do in this design."""

    mean_error: MeanError
    rms_error: RmsError
    meets_targets: Annotated[
        bool, Means("whether some gains (or those given) meet the targets with it")
    ]
    settling_ms: Annotated[float | None, Means("settling with its gains, ms")]
    sampling_error_v: Annotated[
        float, Means("sampling, partial window and frequency, either way, V RMS")
    ]
    zero_flip_reading_v: Annotated[
        float, Means("zero error that flips the reading, either way, V RMS")
    ]
    zero_flip_output_v: Annotated[
        float, Means("what the loop makes of it at the output, either way, V RMS")
    ]
    noise_v: Annotated[
        float, Means("noise and quantisation of a reading, V RMS, standard deviation")
    ]
    sampling: Annotated[
        Literal["fixed bias", "ripple"],
        Means(
            "fixed bias: every window sees the same points of the wave; ripple: the phase creeps"
        ),
    ]

    @classmethod
    def of(cls, trial: domain.Trial) -> WeighedWindow:
        """A window that was weighed, with the faults of its readings in volts."""
        faults = trial.faults
        return cls(
            **shape(trial.window),
            mean_error=(faults.mean_error.low, faults.mean_error.high),
            rms_error=(faults.rms_error.low, faults.rms_error.high),
            meets_targets=trial.meets and not trial.given_miss,
            settling_ms=trial.loop.settling_ms,
            sampling_error_v=faults.spread_v,
            zero_flip_reading_v=faults.alternation_v,
            zero_flip_output_v=trial.hunting_v,
            noise_v=faults.noise_v,
            sampling="fixed bias" if faults.fixed else "ripple",
        )


class Gains(Entry):
    """PI constants."""

    proportional: float = means("continuous, scale per per-unit error")
    integral_per_s: float = means("continuous, scale per per-unit error and second")
    integral_per_window: float = means("as the firmware adds it, scale per per-unit error")
    proportional_per_window: float = means("as the firmware uses it, scale per per-unit error")


class Figures(Entry):
    """Figures of the loop at window rate; null where undefined, as in an unstable loop."""

    settling_ms: float | None = means("target step to within 2 % for good, first wait included, ms")
    overshoot_percent: float | None = means("of a target step, %")
    gain_margin_db: float | None = means("dB")
    phase_margin_deg: float | None = means("degrees; null where the gain never crosses 1")
    peak_sensitivity: float | None = means("Ms, greatest |1/(1 + L)|")
    nyquist_gain: float | None = means("output over a reading error that flips every window")
    noise_gain: float | None = means("output over reading noise, RMS")
    slowest_pole: float | None = means("size of the greatest closed-loop pole, below 1")


class Corner(Figures):
    """One corner of the tolerances."""

    corner: str = means("its bus, parts, load, sensor gain and phase")
    gain: float = means("reading, in units of rated, per unit of scale")
    weights: list[float] = means("share of a change of scale that each later window shows")
    scale: float | None = means("steady scale for rated output; null where none is enough")
    stable: bool = means("whether the loop is stable there")


class Loop(Figures):
    """The worst of each figure over all corners."""

    stable: bool = means("whether it is at every corner")
    worst: dict[str, str] = means("figure: the corner that has it")
    corners: list[Corner] = means("every corner")


class UpdateLatest(Entry):
    """How late the update may take effect, loop periods after the window's last sample."""

    targets_hold_periods: int | None = means("until a target is missed; null: not even at once")
    stable_periods: int | None = means("until a corner is unstable")


class Signal(Entry):
    """One integer of the C with its derived range."""

    name: str = means("as in the C")
    format: str = means("sQm.n or uQm.n: m integer bits, the sign not counted, n fraction bits")
    bits: int = means("its word")
    signed: bool = means("whether the word has a sign")
    lowest: int = means("least value, units of the last place")
    highest: int = means("greatest value, units of the last place")
    headroom_bits: int = means("times the range could double in the word", ge=0)
    per_lsb: float = means("what the last place is worth, in `unit`")
    unit: str = means("unit of `per_lsb`")


class Constant(Entry):
    """A constant as wanted and as an integer gives it."""

    name: str = means("as in the C")
    wanted: float = means("in `unit`")
    got: float = means("in `unit`")
    unit: str = means("unit of both")
    error: float = means("relative error")


class Rest(Entry):
    """What the integer loop does at rest, run at every corner."""

    windows: int = means("windows run at each corner")
    hunting_v: float = means("greatest movement of the output, peak to peak, V RMS")
    error_v: float = means("greatest steady distance of the reading from the target, V RMS")
    corner: str = means("the corner that has it")


class Design(Entry):
    """``halfcycle design``; units stand in the keys' names, or in the words here."""

    name: str = means("the spec's name")
    window: WeighedWindow = means("the window chosen")
    gains: Gains = means("the constants")
    loop: Loop = means("the loop over the corners")
    update_latest: UpdateLatest = means("how late the update may be")
    alternatives: list[WeighedWindow] = means("every window weighed, shortest first")
    signals: list[Signal] = means("every integer of the C")
    constants: list[Constant] = means("every rounded constant")
    pole_shift: float = means(
        "greatest move of the slowest pole by rounding, length in the z plane"
    )
    reading_step_v: float = means("one count of the reading, V RMS at the output")
    output_step_v: float = means("greatest step of the output, V RMS")
    dead_band_v: float = means("error that the integrator leaves alone, either way, V RMS")
    steady_error_v: float = means("greatest steady error, sensor zero and gain apart, V RMS")
    rest: Rest | None = means("the integer loop at rest; null where the loop is unstable")
    findings: list[Finding] = means("errors first")

    @classmethod
    def of(cls, integer_design: IntegerDesign) -> Design:
        """A design with its integers."""
        design, quantised = integer_design.design, integer_design.quantised
        return cls(
            name=design.spec.name,
            window=WeighedWindow.of(design.chosen),
            gains=Gains(
                proportional=design.gains.proportional,
                integral_per_s=design.gains.integral_per_s,
                integral_per_window=design.gains.integral_per_window,
                proportional_per_window=float(design.kp),
            ),
            loop=Loop.model_validate(design.loop),
            update_latest=UpdateLatest(
                targets_hold_periods=design.late.target_periods,
                stable_periods=design.late.stable_periods,
            ),
            alternatives=[WeighedWindow.of(trial) for trial in design.trials],
            signals=each(Signal, quantised.plan.signals),
            constants=each(Constant, quantised.coefficients),
            pole_shift=integer_design.pole_shift,
            reading_step_v=quantised.reading_step_v,
            output_step_v=quantised.output_step_v,
            dead_band_v=quantised.dead_band_v,
            steady_error_v=quantised.steady_error_v,
            rest=Rest.model_validate(quantised.rest) if quantised.rest else None,
            findings=each(Finding, integer_design.findings),
        )
