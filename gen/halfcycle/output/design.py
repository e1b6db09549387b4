"""The JSON of ``halfcycle design``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from halfcycle.design import types as domain
from halfcycle.design.error_parts import with_sensor
from halfcycle.generate.pipeline import IntegerDesign
from halfcycle.loop.figures import LoopFigures
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.output.base import Entry, Finding, each, means
from halfcycle.output.light import Means
from halfcycle.output.windows import MeanError, RmsError, WindowBase, shape
from halfcycle.regulator.plan import Turning
from halfcycle.spec.models import Spec


@dataclass(frozen=True, slots=True)
class WeighedWindow(WindowBase):
    """A window with what it would do in this design."""

    mean_error: MeanError
    rms_error: RmsError
    meets_targets: Annotated[
        bool, Means("whether some gains (or those given) meet the targets with this window")
    ]
    settling_ms: Annotated[float | None, Means("settling time with this window's gains, ms")]
    sampling_error_v: Annotated[
        float, Means("error by sampling, partial window and frequency, either way, V RMS")
    ]
    zero_flip_reading_v: Annotated[
        float,
        Means(
            "error of the reading by the sensor's zero, either way, V RMS: in a plain window it "
            "flips, in others it ripples at the mains frequency"
        ),
    ]
    zero_flip_output_v: Annotated[
        float, Means("the same error at the output, after the loop, either way, V RMS")
    ]
    noise_v: Annotated[
        float, Means("noise and quantisation of a reading, V RMS, standard deviation")
    ]
    harmonic_error: Annotated[
        tuple[float, float],
        Means(
            "least and greatest error of the reading with a third harmonic up to 5 % and a fifth "
            "up to 6 %, fraction of the true RMS; for a mean most of it is due to the wave's own "
            "shape"
        ),
    ]
    dc_percent: Annotated[
        float, Means("DC that the regulator makes from the zero's error, at most, % of rated peak")
    ]
    second_percent: Annotated[
        float, Means("second harmonic from the same cause, at most, % of the output")
    ]
    third_percent: Annotated[
        float,
        Means(
            "third harmonic that the regulator makes from the ripple at twice the frequency, at "
            "most, % of the output"
        ),
    ]
    dc_v: Annotated[float, Means("the DC in volts")]
    dc_codes: Annotated[float, Means("the DC in codes of the sensor")]
    sampling: Annotated[
        Literal["fixed bias", "ripple"],
        Means(
            "fixed bias: every window samples the same points of the wave; ripple: the phase of "
            "the points creeps"
        ),
    ]

    @classmethod
    def of(cls, spec: Spec, trial: domain.Trial) -> WeighedWindow:
        """A window that was tried for ``spec``, with the faults of its readings in volts."""
        faults, output = trial.faults, trial.output
        dc_v = output.dc_v(float(spec.output.rated_rms_v))
        return cls(
            **shape(trial.window),
            mean_error=(faults.mean_error.low, faults.mean_error.high),
            rms_error=(faults.rms_error.low, faults.rms_error.high),
            meets_targets=trial.on_target,
            settling_ms=trial.loop.settling_ms,
            sampling_error_v=faults.spread_v,
            zero_flip_reading_v=faults.alternation_v,
            zero_flip_output_v=trial.hunting_v,
            noise_v=faults.noise_v,
            harmonic_error=(float(faults.harmonic_error.low), float(faults.harmonic_error.high)),
            dc_percent=output.dc_percent,
            second_percent=output.second_percent,
            third_percent=output.third_percent,
            dc_v=dc_v,
            dc_codes=dc_v / float(spec.sensor.volts_per_code),
            sampling="fixed bias" if faults.fixed else "ripple",
        )


class Gains(Entry):
    """PI constants. Of the normalised law, shares of the drive per share of the target instead of
    scale per per-unit error."""

    law: Literal["plain", "normalised"] = means("how the drive follows the error")
    floor: float | None = means(
        "least drive that the normalised law's steps are a share of, scale per rated target; null "
        "with the plain law"
    )
    proportional: float = means("continuous gain, scale per per-unit error")
    integral_per_s: float = means("continuous gain, scale per per-unit error and second")
    integral_per_window: float = means(
        "as the firmware applies it at each update (one a window if the window is plain), scale "
        "per per-unit error"
    )
    proportional_per_window: float = means(
        "as the firmware applies it at each update, scale per per-unit error"
    )


class Figures(Entry):
    """Figures of the loop from update to update; null if undefined, as in an unstable loop."""

    settling_ms: float | None = means(
        "time from a target step until the readings stay within 2 %, ms, the wait for the "
        "first update included; with a window of blocks, until the half-cycle RMS of the "
        "output stays within 2 %, after the slowest of the steps tried"
    )
    overshoot_percent: float | None = means("% of the target step")
    gain_margin_db: float | None = means("dB")
    phase_margin_deg: float | None = means("degrees; null if the gain never crosses 1")
    peak_sensitivity: float | None = means("Ms, greatest |1/(1 + L)|")
    nyquist_gain: float | None = means(
        "size at the output of a reading error of 1 that flips every window"
    )
    noise_gain: float | None = means("RMS noise of the output over that of the reading")
    slowest_pole: float | None = means("size of the greatest closed-loop pole; below 1 if stable")


class Corner(Figures):
    """One corner of the tolerances."""

    corner: str = means("the corner's bus, parts, load, sensor gain and phase")
    gain: float = means("reading, in units of rated, per unit of scale")
    weights: list[float] = means(
        "share of a change of scale that shows first in each later window's reading"
    )
    scale: float | None = means("steady scale for rated output; null if the drive limit is too low")
    stable: bool = means("whether the loop is stable at this corner")


class PeriodicFigures(Entry):
    """Further figures of a loop whose window moves or is weighted: it is periodic in the
    sine's phase. Settling, overshoot and release are of runs of the circuit; `gain_margin_db`,
    `phase_margin_deg` and `slowest_pole` of the loop are of the periodic one, exact; its
    `peak_sensitivity` and the averaged margins here are of the loop averaged over the phases, and
    would be unsafe alone."""

    gain_margin: float | None = means("`gain_margin_db` as a factor")
    averaged_gain_margin_db: float | None = means("of the averaged loop, dB; do not rely on it")
    averaged_phase_margin_deg: float | None = means("of the averaged loop, degrees")
    lifted_norm: float | None = means(
        "greatest gain from a disturbance of the reading to the error, all phases together"
    )
    lateness_us: float = means(
        "lateness of an update after its block's last sample up to which the loop was judged"
    )
    latest_update_ms: float | None = means(
        "lateness up to which the loop is stable; null: more than a window"
    )
    release_ms: float | None = means(
        "time with half cycles above 120 % of rated after an overload that held the output at 90 %"
    )
    release_peak_percent: float | None = means(
        "highest half-cycle RMS after that overload, % of rated"
    )
    start_ms: float | None = means(
        "settling time after a reset, when the window fills for the first time"
    )


class Loop(Figures):
    """The worst of each figure over all corners."""

    stable: bool = means("whether the loop is stable at every corner")
    worst: dict[str, str] = means("for each figure, the corner that has the worst value")
    corners: list[Corner] = means("all corners")
    periodic: PeriodicFigures | None = means(
        "figures of the periodic loop, with a window of blocks; null for a plain one"
    )


class UpdateLatest(Entry):
    """Within how many loop periods of the window's last sample the update has to be done."""

    targets_hold_periods: int | None = means(
        "lateness, in loop periods, up to which the targets are met; null: not even if at once"
    )
    stable_periods: int | None = means(
        "lateness, in loop periods, up to which every corner is stable; null: not even if at once"
    )


class Signal(Entry):
    """One integer of the C with its derived range."""

    name: str = means("name in the C")
    format: str = means("sQm.n or uQm.n: m integer bits, the sign not counted, n fraction bits")
    bits: int = means("size of its word")
    signed: bool = means("whether the word has a sign")
    lowest: int = means("least value, units of the last place")
    highest: int = means("greatest value, units of the last place")
    headroom_bits: int = means("how often the range could double before the word overflows", ge=0)
    per_lsb: float = means("value of the last place, in `unit`")
    unit: str = means("unit of `per_lsb`")


class Constant(Entry):
    """A constant: its exact value and the value of the rounded integer."""

    name: str = means("name in the C")
    wanted: float = means("exact value, in `unit`")
    got: float = means("value of the rounded constant, in `unit`")
    unit: str = means("unit of `wanted` and `got`")
    error: float = means("relative error")


class Rest(Entry):
    """How the integer loop moves at rest: in runs at every corner, and at most on any board."""

    windows: int = means("windows run at each corner")
    hunting_v: float = means("greatest movement of the output in the runs, peak to peak, V RMS")
    hunting_steps: int = means("greatest movement of the scale in the runs, steps of 1/16384", ge=0)
    bound_v: float = means(
        "movement of the output that no board within the tolerances exceeds, noise apart, peak to "
        "peak, V RMS"
    )
    bound_steps: int = means("the same bound for the scale, steps of 1/16384", ge=0)
    error_v: float = means("greatest distance of the reading from the target at rest, V RMS")
    corner: str = means("corner with the greatest movement, or error if none moves")


class Oscillator(Entry):
    """The oscillator that makes the phase: 2^32 steps a turn."""

    low_mhz: int = means("lowest frequency that it accepts, mHz")
    high_mhz: int = means("highest frequency that it accepts, mHz")
    rated_step: int = means("phase steps per PWM period at the rated frequency")
    error_ppm: float = means(
        "bound on the frequency error over the band, apart from the clock's, ppm", ge=0
    )

    @classmethod
    def of(cls, turning: Turning | None, error_ppm: float | None) -> Oscillator | None:
        """Its constants, None without one."""
        if turning is None or error_ppm is None:
            return None
        return cls(
            low_mhz=turning.low_mhz,
            high_mhz=turning.high_mhz,
            rated_step=turning.rated_step,
            error_ppm=error_ppm,
        )


class Design(Entry):
    """``halfcycle design``; units stand in the keys' names, or in the words here."""

    name: str = means("name in the spec")
    window: WeighedWindow = means("the window that the design uses")
    gains: Gains = means("the constants")
    loop: Loop = means("the loop over the corners")
    update_latest: UpdateLatest = means("how late an update may be")
    alternatives: list[WeighedWindow] = means(
        "every window tried: the cheapest kind first, within each kind the shortest first"
    )
    dearer_window: WeighedWindow | None = means(
        "the next, more expensive kind of window that is faster, with its fastest loop; null if "
        "there is none, or none was looked for"
    )
    signals: list[Signal] = means("every integer of the C")
    constants: list[Constant] = means("every rounded constant")
    pole_shift: float = means(
        "greatest move of the slowest pole by the constants' rounding, length in the z plane"
    )
    reading_step_v: float = means("one count of the reading, V RMS at the output")
    output_step_v: float = means("coarsest step in which the output can be moved, V RMS")
    dead_band_v: float = means("error that does not move the integrator, either way, V RMS")
    steady_error_v: float = means(
        "greatest steady error, without the sensor's zero and gain, V RMS"
    )
    steady_error_with_sensor_v: float = means(
        "the same with the sensor's zero and gain tolerance, V RMS"
    )
    duty_error_counts: float = means(
        "bound on the error of a duty against the clipped sine of its scale, counts either way"
    )
    oscillator: Oscillator | None = means("the C's oscillator; null without a PWM period")
    rest: Rest | None = means("the integer loop at rest; null if the loop is unstable")
    findings: list[Finding] = means("errors first")

    @classmethod
    def of(cls, integer_design: IntegerDesign) -> Design:
        """A design with its integers."""
        design, quantised = integer_design.design, integer_design.quantised
        return cls(
            name=design.spec.name,
            window=WeighedWindow.of(design.spec, design.chosen),
            gains=Gains(
                law="plain" if design.law is None else "normalised",
                floor=None if design.law is None else float(design.law.floor),
                proportional=design.gains.proportional,
                integral_per_s=design.gains.integral_per_s,
                integral_per_window=design.gains.integral_per_window,
                proportional_per_window=float(design.kp),
            ),
            loop=loop_json(design.loop),
            update_latest=UpdateLatest(
                targets_hold_periods=design.late.target_periods,
                stable_periods=design.late.stable_periods,
            ),
            alternatives=[WeighedWindow.of(design.spec, trial) for trial in design.trials],
            dearer_window=WeighedWindow.of(design.spec, design.dearer) if design.dearer else None,
            signals=each(Signal, quantised.plan.signals),
            constants=each(Constant, quantised.coefficients),
            pole_shift=integer_design.pole_shift,
            reading_step_v=quantised.reading_step_v,
            output_step_v=quantised.output_step_v,
            dead_band_v=quantised.dead_band_v,
            steady_error_v=quantised.steady_error_v,
            steady_error_with_sensor_v=with_sensor(
                design.spec, design.chosen, quantised.steady_error_v
            ).total_v,
            duty_error_counts=quantised.duty_error,
            oscillator=Oscillator.of(quantised.plan.turning, quantised.turn_error_ppm),
            rest=Rest.model_validate(quantised.rest) if quantised.rest else None,
            findings=each(Finding, integer_design.findings),
        )


def loop_json(figures: LoopFigures) -> Loop:
    """The loop's figures, and those of a periodic one."""
    periodic = None
    if isinstance(figures, MovingFigures):
        periodic = PeriodicFigures(
            gain_margin=figures.periodic_gain_margin,
            averaged_gain_margin_db=figures.averaged_gain_margin_db,
            averaged_phase_margin_deg=figures.averaged_phase_margin_deg,
            lifted_norm=figures.lifted_norm,
            lateness_us=figures.lateness_us,
            latest_update_ms=figures.latest_update_ms,
            release_ms=figures.release_ms,
            release_peak_percent=figures.release_peak_percent,
            start_ms=figures.start_ms,
        )
    shared = {key: getattr(figures, key) for key in Loop.model_fields if key != "periodic"}
    return Loop.model_validate({**shared, "periodic": periodic})
