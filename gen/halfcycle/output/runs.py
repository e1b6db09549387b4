"""The JSON of the commands that run: check, simulate, report, targets, replay, calibrate."""

from __future__ import annotations

from halfcycle.output.base import Bounds, Entry, Finding, means, sometimes


class Check(Entry):
    """One check of ``halfcycle check``."""

    spec: str = sometimes("the spec's file, where several are checked")
    name: str = means("what was checked")
    passed: bool = means("whether it held")
    detail: str = means("what was found; where it failed, a diff or the first difference")


class CheckedSpec(Entry):
    """One spec of ``halfcycle check``."""

    spec: str = means("its file")
    name: str = means("the regulator's name")
    dir: str = means("the folder of its C")
    passed: bool = means("whether every check held")
    kept: bool = means("whether it passed before and nothing changed since")


class Checks(Entry):
    """``halfcycle check``"""

    checks: list[Check] = means("all that were run", min_length=1)
    specs: list[CheckedSpec] = means("one for each spec", min_length=1)


class Tick(Entry):
    """``halfcycle check`` with ``--tick``: model and C after one tick of a scenario."""

    inputs: dict[str, int] = means("what both were given")
    model: dict[str, int] = means("the model's state fields")
    compiled: dict[str, int] = means("the C's state fields")


class Failure(Entry):
    """A board that broke a rule."""

    board: int = means("its number")
    reasons: list[str] = means("the rules that it broke, with figure and limit")
    replay: str = means("the command that runs it again")


class Worst(Entry):
    """The worst of each figure over the boards of a case; null where it does not apply."""

    settling_ms: float | None = means("from the event until within 2 % for good, ms")
    overshoot_percent: float | None = means("of the step, %")
    steady_error_percent: float | None = means("a steady window's RMS, sensor gain apart, %")
    true_rms_v: float | None = means("of that window, V")
    reported_rms_v: float | None = means("what the firmware says of it, V")
    scale: float | None = means("greatest steady scale, 1.0 = bus")
    report_error_percent: float | None = means("reported against true RMS, steady, %, signed")
    report_error_at_limit_percent: float | None = means("the same while the drive limit holds, %")
    lowest_percent: float | None = means("lowest half-cycle RMS, % of rated")
    highest_percent: float | None = means("highest half-cycle RMS, % of rated")


class Designed(Entry):
    """What the design says of a case that steps the target."""

    settling_ms: float | None = means("ms")
    settling_allowance_ms: float = means("what measuring by half cycles may add, ms")
    overshoot_percent: float | None = means("of the step, %")
    overshoot_allowance_percent: float = means("what the rest of the board may add, % of the step")


class Case(Entry):
    """One situation that every board was put through."""

    case: str = means("its name")
    about: str = means("what happens")
    boards: int = means("boards run", ge=0)
    passed: bool = means("whether every board kept every rule")
    failures: list[Failure] = means("boards that did not, the first few")
    failed_boards: int = means("how many did not, in all", ge=0)
    rules: list[str] = means("what a board is judged by")
    worst: Worst = means("worst figures over the boards")
    worst_board: dict[str, int] = means("figure: the board that has it")
    outside: dict[str, int] = means("published limit: boards that left it")
    designed: Designed = sometimes("figures to compare with, where the target steps")


class WhyWindow(Entry):
    """What following the sine point by point would face on the same boards: (least, greatest)."""

    lag_deg: Bounds = means("lag of filter, sensor and computation at the mains frequency, deg")
    lag_from_parts_deg: Bounds = means("of filter and sensor alone, deg")
    zero_crossing_v: Bounds = means("apparent error at the zero crossing by that lag, V")
    plain_crossover_hz: float = means("crossover of an integral loop that follows to 2 %, Hz")
    plain_margin_deg: Bounds = means("its phase margin, deg")
    resonant_crossover_hz: float = means("crossover of a resonant loop as fast as the target, Hz")
    resonant_margin_deg: Bounds = means("its phase margin, deg")
    resonance_hz: Bounds = means("the filter's own resonance, Hz")
    nyquist_hz: float = means("half the loop's rate, Hz")
    resonance_gain_db: float = means("the resonant loop's gain at the filter's resonance, dB")
    window_settling_ms: float | None = means("settling of the window's loop, ms")
    plain_settling_ms: float = means("settling of the plain loop, ms")


class Simulate(Entry):
    """``halfcycle simulate``"""

    seed: int = means("of the boards and their noise")
    cases: list[Case] = means("one for each situation")
    why_window: WhyWindow = means("why a window is used")
    findings: list[Finding] = means("what the runs say about the design")


class Report(Entry):
    """``halfcycle report``"""

    file: str = means("the page")
    good: bool = means("whether no limit is broken, by the design or by a board (else exit code 1)")
    boards: int = means("virtual boards run in each case", ge=0)
    runs_failed: int = means("runs that broke a rule", ge=0)
    findings: list[Finding] = means("of the design and of the boards")


class Target(Entry):
    """One target with one compiler. Costs are of the worst call; null where nothing counts."""

    target: str = means("its name, as --target takes it")
    compiler: str = means("compiler and version")
    emulators: list[str] = means("what it ran in")
    bit_exact: bool = means("whether every output and the state equal the model")
    mismatch: str | None = means("the first difference")
    samples_compared: int = means("samples after which every field and result was compared")
    calls_compared: int = means("single calls compared")
    flash_bytes: int = means("code and constants, with what they need of the library, bytes")
    data_bytes: int = means("initialised data, bytes")
    ram_bytes: int = means("one state, and static data besides, bytes")
    stack_bytes: int | None = means("deepest call below its caller, bytes")
    unreached_bytes: int | None = means("code that no call reached, bytes; null if not told")
    sample_instructions: int | None = means("a sample that completes no window")
    sample_cycles: int = sometimes("the same in cycles")
    closing_instructions: int | None = means("a sample that completes a window")
    closing_cycles: int = sometimes("the same in cycles")
    update_instructions: int | None = means("an update")
    update_cycles: int = sometimes("the same in cycles")
    set_target_instructions: int | None = means("a change of target")
    set_target_cycles: int = sometimes("the same in cycles")
    rms_mv_instructions: int | None = means("a report of the RMS")
    rms_mv_cycles: int = sometimes("the same in cycles")
    drive_instructions: int | None = means("a value of the drive")
    drive_cycles: int = sometimes("the same in cycles")


class Unavailable(Entry):
    """A target that lacks a tool on this machine."""

    target: str = means("its name")
    tool: str = means("what is missing")
    install: str = means("how to have it")


class Targets(Entry):
    """``halfcycle targets``"""

    targets: list[Target] = means("what ran")
    unavailable: list[Unavailable] = means("what could not")


class ReplayWindow(Entry):
    """One window of a recorded waveform."""

    start_s: float = means("in the capture's time, s")
    true_rms_v: float = means("of the waveform, V")
    reported_rms_v: float = means("as the firmware reports it, V")


class Harmonic(Entry):
    """A multiple of the frequency."""

    order: int = means("1 is the fundamental")
    rms_v: float = means("V")
    percent: float = means("% of the fundamental")


class Resampling(Entry):
    """How the capture was brought to the loop's samples."""

    method: str = means("between the capture's own samples")
    points_per_cycle: float = means("the capture's own")
    bound_percent: float | None = means("greatest error of a sine by it, %")
    error_v: float | None = means("in volts RMS")


class Captured(Entry):
    """What was read of a capture."""

    channel: str = means("the voltage's channel or column")
    samples: int = means("how many")
    start_s: float = means("first sample, s")
    end_s: float = means("last sample, s")
    step_s: float = means("usual step, s")
    gaps: int = means("places where it is interrupted")


class Replay(Entry):
    """``halfcycle replay``; null where the capture holds no whole cycle."""

    windows: list[ReplayWindow] = means("every whole window")
    measured_by: str = means("compiled C, or model where no compiler was found or asked for")
    frequency_hz: float | None = means("by a fit of a sine with harmonics, Hz")
    zero_v: float | None = means("mean of the waveform, V")
    form_factor: float | None = means("RMS over mean magnitude")
    crest_factor: float | None = means("peak over RMS")
    thd_percent: float | None = means("harmonics listed over the fundamental, %")
    harmonics: list[Harmonic] = means("from the fundamental on")
    resampling: Resampling = means("how samples were made")
    capture: Captured = means("what was read")
    clipped_samples: int = means("samples beyond the ADC's range")
    findings: list[Finding] = means("what to change")


class Estimate(Entry):
    """A fitted value."""

    value: float = means("the fit")
    uncertainty: float | None = means("half of the 95 % interval; null for one reading")
    readings: int = means("readings used")


class Board(Entry):
    """One board's sensor."""

    board: str = means("its name")
    volts_per_code: Estimate | None = means("V per ADC code")
    zero_code: Estimate | None = means("ADC code at zero volts")
    zero_square_codes2: Estimate | None = means("square of the zero's error, codes squared")


class Outlier(Entry):
    """A reading or a board that is left out."""

    line: int | None = means("of the readings' file; null for a whole board")
    board: str = means("its board")
    deviation_percent: float = means("from the others, %")
    sigmas: float = means("that in standard deviations")


class Calibrate(Entry):
    """``halfcycle calibrate``; null where there are too few readings or boards."""

    boards: list[Board] = means("fits, one for each board")
    volts_per_code: Estimate | None = means("over the boards, V per ADC code")
    zero_code: Estimate | None = means("over the boards")
    gain_spread_percent: float | None = means("greatest distance of a board from the spec, %")
    gain_spread_after_percent: float | None = means("from the fitted value, %")
    gain_reach_percent: float | None = means("holds 99 % of all boards with 95 % confidence, +-%")
    zero_spread_codes: float | None = means("greatest distance of a board from the spec, codes")
    zero_spread_after_codes: float | None = means("from the fitted value, codes")
    zero_reach_codes: float | None = means("as gain_reach_percent, codes")
    outliers: list[Outlier] = means("what was left out")
    changes: dict[str, float] = means("spec keys, dotted, with the values that fit")
    written: list[str] = means("keys written into the spec (--write)")
    inside_tolerance: bool = means(
        "whether the boards fit the spec's tolerances (else exit code 1)"
    )
    findings: list[Finding] = means("what to do")
