"""The JSON of ``halfcycle simulate``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from halfcycle.base import findings as base
from halfcycle.output.base import Bounds, Entry, Finding, each, means, sometimes
from halfcycle.simulate import case as domain
from halfcycle.simulate import reading_error
from halfcycle.simulate.findings import (
    designed_settling_ms,
    overshoot_allowance_percent,
    settling_allowance_ms,
)
from halfcycle.simulate.tally import FIGURES, Tally
from halfcycle.simulate.why_window import Reason
from halfcycle.spec import envelopes
from halfcycle.spec.envelopes import ENVELOPES

Again = Callable[[str, int], str]
"""From a case's name and a board's number to the command that runs it again."""


class Failure(Entry):
    """A board that broke a rule."""

    board: int = means("number of the board")
    reasons: list[str] = means("rules that it broke, with figure and limit")
    replay: str = means("command that runs this board again")


class Worst(Entry):
    """The worst of each figure over the boards of a case; null if it does not apply."""

    settling_ms: float | None = means(
        "time until every later half cycle, of any start, is within 2 %, ms"
    )
    overshoot_percent: float | None = means("% of the step")
    steady_error_percent: float | None = means(
        "distance of a steady window's RMS from its target, without the sensor's gain, % of rated"
    )
    true_rms_v: float | None = means(
        "RMS of the output in that window as a meter shows it, the board's sensor gain included, V"
    )
    reported_rms_v: float | None = means("RMS that the firmware reports for that window, V")
    scale: float | None = means("greatest steady scale, 1.0 = bus")
    report_error_percent: float | None = means(
        "reported less true RMS at rest, without the sensor's gain, %, signed"
    )
    report_error_at_limit_percent: float | None = means("the same while the drive limit holds, %")
    lowest_percent: float | None = means(
        "lowest half-cycle RMS, without the sensor's gain, % of rated"
    )
    highest_percent: float | None = means(
        "highest half-cycle RMS, without the sensor's gain, % of rated"
    )
    above_120_ms: float | None = means("time of half-cycle RMS above 120 % of rated, ms")
    peak_v: float | None = means(
        "greatest size of the instantaneous output after the event, the board's sensor gain "
        "included, V"
    )
    peak_percent: float | None = means("the same in % of the peak of a rated sine")
    thd_percent: float | None = means(
        "distortion at rest: harmonics 2 to 40 over the fundamental, %"
    )
    dc_percent: float | None = means("DC of the output at rest, from any cause, % of rated peak")
    dc_v: float | None = means("the same in volts, signed, V")


class Designed(Entry):
    """What the design says of a case that steps the target."""

    settling_ms: float | None = means("settling time by the design, ms")
    settling_allowance_ms: float = means("what judging by half cycles may add, ms")
    overshoot_percent: float | None = means("% of the step, by the design")
    overshoot_allowance_percent: float = means(
        "what the parts of the board outside the design's model may add, % of the step"
    )

    @classmethod
    def of(cls, setting: domain.Setting, case: domain.Case) -> Designed:
        """The design's figures for ``case``, and what the board may add to them."""
        return cls(
            settling_ms=designed_settling_ms(setting, case),
            settling_allowance_ms=settling_allowance_ms(setting),
            overshoot_percent=setting.promise.overshoot_percent,
            overshoot_allowance_percent=overshoot_allowance_percent(setting, case),
        )


class Case(Entry):
    """One situation that every board was put through."""

    case: str = means("name of the case")
    about: str = means("what happens")
    boards: int = means("number of boards run", ge=0)
    passed: bool = means("whether every board kept every rule")
    failures: list[Failure] = means("the first few boards that broke a rule")
    failed_boards: int = means("number of boards that broke a rule", ge=0)
    rules: list[str] = means("the rules by which a board is judged")
    worst: Worst = means("worst figures over the boards")
    worst_board: dict[str, int] = means("for each figure, the board that has the worst value")
    outside: dict[str, int] = means(
        "for each published limit, by title, the number of boards that left it; with a fault, "
        "upward only"
    )
    designed: Designed = sometimes("figures to compare with, if the target steps")

    @classmethod
    def of(cls, setting: domain.Setting, case: domain.Case, tally: Tally, again: Again) -> Case:
        """What the boards did in one case."""
        return cls(
            case=tally.case,
            about=case.about,
            boards=tally.boards,
            passed=tally.failed == 0,
            failures=[
                Failure(
                    board=failure.board,
                    reasons=list(failure.reasons),
                    replay=again(tally.case, failure.board),
                )
                for failure in tally.failures
            ],
            failed_boards=tally.failed,
            rules=list(case.rules),
            worst=Worst(**{name: tally.worst.get(name, (None,))[0] for name in FIGURES}),
            worst_board={name: board for name, (_, board) in tally.worst.items()},
            outside=dict(tally.breached),
            **({"designed": Designed.of(setting, case)} if case.target_step else {}),
        )


class ReadingError(Entry):
    """The reported RMS of a case's worst window, taken apart; the six parts add up to the error."""

    case: str = means("name of the case")
    board: int = means("number of the board")
    at_limit: bool = means("whether the window is one at the drive limit; else it is a steady one")
    error_percent: float = means("reported less true RMS, without the sensor's gain, %")
    shape_percent: float = means("part due to a mean read as the RMS of a sine, %")
    folded_percent: float = means("part due to distortion that the sampling folds, %")
    sampling_percent: float = means("part due to the sampling of a clean sine, %")
    zero_percent: float = means("part due to the sensor's zero, %")
    noise_percent: float = means("part due to noise and rounding, %")
    change_percent: float = means("part due to a change of the output within the sensor's delay, %")
    by_rms_percent: float = means("error of an RMS of the same ADC codes, %")

    @classmethod
    def of(cls, error: reading_error.ReadingError) -> ReadingError:
        """All shares as percent."""
        names = ("error", *reading_error.CAUSES, "by_rms")
        return cls(
            case=error.case,
            board=error.board,
            at_limit=error.at_limit,
            **{f"{name}_percent": 100 * getattr(error, name) for name in names},
        )


class WhyWindow(Entry):
    """What following the sine sample by sample would face on the same boards: (least, greatest)."""

    lag_deg: Bounds = means("lag of filter, sensor and computation at the mains frequency, deg")
    lag_from_parts_deg: Bounds = means("lag of filter and sensor alone, deg")
    zero_crossing_v: Bounds = means("apparent error at the zero crossing that this lag makes, V")
    plain_crossover_hz: float = means(
        "crossover of an integral loop that follows the sine to 2 %, Hz"
    )
    plain_margin_deg: Bounds = means("its phase margin, deg")
    resonant_crossover_hz: float = means(
        "crossover of a resonant loop that is as fast as the target, Hz"
    )
    resonant_margin_deg: Bounds = means("its phase margin, deg")
    resonance_hz: Bounds = means("the filter's own resonance, Hz")
    nyquist_hz: float = means("half the loop's rate, Hz")
    resonance_gain_db: float = means("the resonant loop's gain at the filter's resonance, dB")
    window_settling_ms: float | None = means("settling time of the window's loop, ms")
    plain_settling_ms: float | None = means(
        "settling time of the plain loop, ms; null: there is none"
    )


class Envelope(Entry):
    """A published limit that the spec chooses."""

    name: str = means("name in the spec")
    title: str = means("name in findings")
    document: str = means("the standard with edition and clause, and what it says")
    read_in: str = means("the document in which it was read, and what is an interpretation of it")

    @classmethod
    def of(cls, envelope: envelopes.Envelope) -> Envelope:
        """What is said of it."""
        return cls(
            name=envelope.name,
            title=envelope.title,
            document=envelope.document,
            read_in=envelope.read_in,
        )


class Simulate(Entry):
    """``halfcycle simulate``"""

    seed: int = means("seed of the boards and their noise")
    envelopes: list[Envelope] = means("the published limits that apply")
    cases: list[Case] = means("one for each situation")
    reading_errors: list[ReadingError] = means("why the reported RMS is off, case by case")
    why_window: WhyWindow = means("why a window is used instead of a loop that follows the sine")
    findings: list[Finding] = means("findings about the runs")

    @classmethod
    def of(
        cls,
        setting: domain.Setting,
        cases: Mapping[str, domain.Case],
        tallies: Iterable[Tally],
        *,
        errors: Iterable[reading_error.ReadingError],
        why: Reason,
        findings: Iterable[base.Finding],
        again: Again,
        seed: int,
    ) -> Simulate:
        """All cases that were run, in the order of ``tallies``."""
        return cls(
            seed=seed,
            envelopes=[Envelope.of(ENVELOPES[name]) for name in setting.spec.limits.envelopes],
            cases=[Case.of(setting, cases[tally.case], tally, again) for tally in tallies],
            reading_errors=[ReadingError.of(error) for error in errors],
            why_window=WhyWindow.model_validate(why),
            findings=each(Finding, findings),
        )
