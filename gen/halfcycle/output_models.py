"""What each command's ``--json`` prints: the one list of its keys, with units and meaning.

The models describe; the commands build their dictionaries themselves. Tests run every command and
hold its output to ``output.schema.json``, which is made of these models: no key more, none less.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Bounds = tuple[float, float]


def about(text: str, **limits: Any) -> Any:
    """A key that is always there, described."""
    return Field(description=text, **limits)


class Entry(BaseModel):
    """A JSON object with no keys beyond its own. A value of null: the figure is undefined."""

    model_config = ConfigDict(extra="forbid")


class Finding(Entry):
    """A remark on a design."""

    level: Literal["error", "warning", "note"] = about("error: a limit is broken (exit code 1)")
    key: str = about("spec key, dotted, or topic")
    text: str = about("what was found; ends in what to do")


class Refused(Entry):
    """The spec is good, but its targets cannot be met (exit code 1)."""

    findings: list[Finding] = about("why, and the best that can be had")


class Start(Entry):
    """``halfcycle start``"""

    file: str = about("the spec that was written")


class WindowBase(Entry):
    """A measuring window and the bounds of its readings' errors."""

    half_cycles: int = about("half cycles that it is meant to hold", ge=1)
    samples: int = about("loop periods in it", ge=1, le=65535)
    duration_ms: float = about("length, ms", gt=0)
    whole: bool = about("whether it holds its half cycles exactly")
    mismatch_ppm: float = about("longer (+) or shorter (-) than its half cycles, ppm")
    mean_error: Bounds = about(
        "least and greatest error of a mean-based reading, fraction of the true RMS, over every "
        "phase; zero offset and frequency tolerance included"
    )
    rms_error: Bounds = about("the same for an RMS reading")


class ListedWindow(WindowBase):
    """A candidate of ``halfcycle windows``."""

    distinct_points: int = about("places of the half cycle that are sampled", ge=1)
    few_points: bool = about("fewer than 20 of them: the mean depends on the phase by 0.1 % or so")
    odd: bool = about("odd count of half cycles: a zero offset does not cancel")
    alternation_mean: float = about(
        "part of the zero offset that flips a mean-based reading from window to window, either "
        "way, fraction of the true RMS",
        ge=0,
    )
    alternation_rms: float = about("the same for an RMS reading", ge=0)


class Windows(Entry):
    """``halfcycle windows``"""

    windows: list[ListedWindow] = about(
        "whole windows, shortest first; only where there is none, the nearest misses", min_length=1
    )


class WeighedWindow(WindowBase):
    """A window with what it would do in this design."""

    meets_targets: bool = about("whether some gains (or those given) meet the targets with it")
    settling_ms: float | None = about("settling with its gains, ms")
    sampling_error_v: float = about("sampling, partial window and frequency, either way, V RMS")
    zero_flip_reading_v: float = about("zero error that flips the reading, either way, V RMS")
    zero_flip_output_v: float = about("what the loop makes of it at the output, either way, V RMS")
    noise_v: float = about("noise and quantisation of a reading, V RMS, standard deviation")
    sampling: Literal["fixed bias", "ripple"] = about(
        "fixed bias: every window sees the same points of the wave; ripple: the phase creeps"
    )


class Gains(Entry):
    """PI constants."""

    proportional: float = about("continuous, scale per per-unit error")
    integral_per_s: float = about("continuous, scale per per-unit error and second")
    integral_per_window: float = about("as the firmware adds it, scale per per-unit error")
    proportional_per_window: float = about("as the firmware uses it, scale per per-unit error")


class Figures(Entry):
    """Figures of the loop at window rate; null where undefined, as in an unstable loop."""

    settling_ms: float | None = about("target step to within 2 % for good, first wait included, ms")
    overshoot_percent: float | None = about("of a target step, %")
    gain_margin_db: float | None = about("dB")
    phase_margin_deg: float | None = about("degrees; null where the gain never crosses 1")
    peak_sensitivity: float | None = about("Ms, greatest |1/(1 + L)|")
    nyquist_gain: float | None = about("output over a reading error that flips every window")
    noise_gain: float | None = about("output over reading noise, RMS")
    slowest_pole: float | None = about("size of the greatest closed-loop pole, below 1")


class Corner(Figures):
    """One corner of the tolerances."""

    corner: str = about("its bus, parts, load, sensor gain and phase")
    gain: float = about("reading, in units of rated, per unit of scale")
    weights: list[float] = about("share of a change of scale that each later window shows")
    scale: float | None = about("steady scale for rated output; null where none is enough")
    stable: bool = about("whether the loop is stable there")


class Loop(Figures):
    """The worst of each figure over all corners."""

    stable: bool = about("whether it is at every corner")
    worst: dict[str, str] = about("figure: the corner that has it")
    corners: list[Corner] = about("every corner")


class UpdateLatest(Entry):
    """How late the update may take effect, loop periods after the window's last sample."""

    targets_hold_periods: int | None = about("until a target is missed; null: not even at once")
    stable_periods: int | None = about("until a corner is unstable")


class Signal(Entry):
    """One integer of the C with its derived range."""

    name: str = about("as in the C")
    format: str = about("sQm.n or uQm.n: m integer bits, the sign not counted, n fraction bits")
    bits: int = about("its word")
    signed: bool = about("whether the word has a sign")
    lowest: int = about("least value, units of the last place")
    highest: int = about("greatest value, units of the last place")
    headroom_bits: int = about("times the range could double in the word", ge=0)
    per_lsb: float = about("what the last place is worth, in `unit`")
    unit: str = about("unit of `per_lsb`")


class Constant(Entry):
    """A constant as wanted and as an integer gives it."""

    name: str = about("as in the C")
    wanted: float = about("in `unit`")
    got: float = about("in `unit`")
    unit: str = about("unit of both")
    error: float = about("relative error")


class Rest(Entry):
    """What the integer loop does at rest, run at every corner."""

    windows: int = about("windows run at each corner")
    hunting_v: float = about("greatest movement of the output, peak to peak, V RMS")
    error_v: float = about("greatest steady distance of the reading from the target, V RMS")
    corner: str = about("the corner that has it")


class Design(Entry):
    """``halfcycle design``; units stand in the keys' names, or in the words here."""

    name: str = about("the spec's name")
    window: WeighedWindow = about("the window chosen")
    gains: Gains = about("the constants")
    loop: Loop = about("the loop over the corners")
    update_latest: UpdateLatest = about("how late the update may be")
    alternatives: list[WeighedWindow] = about("every window weighed, shortest first")
    signals: list[Signal] = about("every integer of the C")
    constants: list[Constant] = about("every rounded constant")
    pole_shift: float = about(
        "greatest move of the slowest pole by rounding, length in the z plane"
    )
    reading_step_v: float = about("one count of the reading, V RMS at the output")
    output_step_v: float = about("greatest step of the output, V RMS")
    dead_band_v: float = about("error that the integrator leaves alone, either way, V RMS")
    steady_error_v: float = about(
        "greatest steady error either way, sensor's zero and gain apart, V RMS"
    )
    rest: Rest | None = about("the integer loop at rest; null where the loop is unstable")
    findings: list[Finding] = about("errors first")


class Generate(Entry):
    """``halfcycle generate``"""

    files: list[str] = about("files written; none where anything failed")
    verified: bool = about("whether C and model were compared and equal")
    samples_compared: int = about("samples compared, every state field at each", ge=0)
    findings: list[Finding] = about("of the design")


class Check(Entry):
    """One check of ``halfcycle check``."""

    name: str = about("what was checked")
    passed: bool = about("whether it held")
    detail: str = about("what was found; where it failed, a diff or the first difference")


class Checks(Entry):
    """``halfcycle check``"""

    checks: list[Check] = about("all that were run", min_length=1)


class Tick(Entry):
    """``halfcycle check`` with ``--tick``: model and C after one tick of a scenario."""

    inputs: dict[str, int] = about("what both were given")
    model: dict[str, int] = about("the model's state fields")
    compiled: dict[str, int] = about("the C's state fields")


OUTPUTS: dict[str, tuple[type[Entry], ...]] = {
    "start": (Start,),
    "windows": (Windows,),
    "design": (Design, Refused),
    "generate": (Generate,),
    "check": (Checks, Tick),
}
"""What a command may print, by its name; the usual first."""
