"""The JSON of the commands that design and write: start, windows, design, retune, generate."""

from __future__ import annotations

from typing import Literal

from halfcycle.output.base import Bounds, Entry, Finding, means


class Start(Entry):
    """``halfcycle start``"""

    file: str = means("the spec that was written")


class WindowBase(Entry):
    """A measuring window and the bounds of its readings' errors."""

    half_cycles: int = means("half cycles that it is meant to hold", ge=1)
    samples: int = means("loop periods in it", ge=1, le=65535)
    duration_ms: float = means("length, ms", gt=0)
    whole: bool = means("whether it holds its half cycles exactly")
    mismatch_ppm: float = means("longer (+) or shorter (-) than its half cycles, ppm")
    mean_error: Bounds = means(
        "least and greatest error of a mean-based reading, fraction of the true RMS, over every "
        "phase; zero offset and frequency tolerance included"
    )
    rms_error: Bounds = means("the same for an RMS reading")


class ListedWindow(WindowBase):
    """A candidate of ``halfcycle windows``."""

    distinct_points: int = means("places of the half cycle that are sampled", ge=1)
    few_points: bool = means("fewer than 20 of them: the mean depends on the phase by 0.1 % or so")
    odd: bool = means("odd count of half cycles: a zero offset does not cancel")
    alternation_mean: float = means(
        "part of the zero offset that flips a mean-based reading from window to window, either "
        "way, fraction of the true RMS",
        ge=0,
    )
    alternation_rms: float = means("the same for an RMS reading", ge=0)


class Windows(Entry):
    """``halfcycle windows``"""

    windows: list[ListedWindow] = means(
        "whole windows, shortest first; only where there is none, the nearest misses", min_length=1
    )


class WeighedWindow(WindowBase):
    """A window with what it would do in this design."""

    meets_targets: bool = means("whether some gains (or those given) meet the targets with it")
    settling_ms: float | None = means("settling with its gains, ms")
    sampling_error_v: float = means("sampling, partial window and frequency, either way, V RMS")
    zero_flip_reading_v: float = means("zero error that flips the reading, either way, V RMS")
    zero_flip_output_v: float = means("what the loop makes of it at the output, either way, V RMS")
    noise_v: float = means("noise and quantisation of a reading, V RMS, standard deviation")
    sampling: Literal["fixed bias", "ripple"] = means(
        "fixed bias: every window sees the same points of the wave; ripple: the phase creeps"
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
    """Within how many loop periods of the window's last sample the update has to be done."""

    targets_hold_periods: int | None = means("for the targets to hold; null: not even at once")
    stable_periods: int | None = means("for every corner to be stable; null: not even at once")


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
    """What the integer loop does at rest: as run at every corner, and at most on any board."""

    windows: int = means("windows run at each corner")
    hunting_v: float = means("greatest movement of the output seen, peak to peak, V RMS")
    hunting_steps: int = means("greatest movement of the scale seen, steps of 1/16384", ge=0)
    bound_v: float = means(
        "movement of the output that no board inside the tolerances exceeds, noise apart, peak to "
        "peak, V RMS"
    )
    bound_steps: int = means("the same for the scale, steps of 1/16384", ge=0)
    error_v: float = means("greatest steady distance of the reading from the target, V RMS")
    corner: str = means("the corner that has it")


class Design(Entry):
    """``halfcycle design``; units stand in the keys' names, or in the words here."""

    name: str = means("the spec's name")
    window: WeighedWindow = means("the window chosen")
    gains: Gains = means("the constants")
    loop: Loop = means("the loop over the corners")
    update_latest: UpdateLatest = means("within what time the update has to be done")
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


class Generate(Entry):
    """``halfcycle generate``"""

    files: list[str] = means("files written; none where anything failed")
    verified: bool = means("whether C and model were compared and equal")
    samples_compared: int = means("samples compared, every state field at each", ge=0)
    findings: list[Finding] = means("of the design")


class Retune(Entry):
    """``halfcycle retune``"""

    before: Design = means("the spec as it is")
    after: Design | None = means("at the new values; null where no design can be had")
    changes: dict[str, int | str | bool | None] = means(
        "spec keys that change, dotted, with their new values as text where they are fractions; "
        "null removes one"
    )
    written: bool = means("whether the spec was changed (--write)")
    departure_percent: float | None = means(
        "greatest distance between the step responses' extremes over the corners, % of the step"
    )
    findings: list[Finding] = means("about the move first, then those of the new design")
