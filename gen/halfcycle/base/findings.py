"""Findings: remarks on a valid design, each of a kind with a stable code. The one table of kinds.

``finding`` makes one. A kind has its code (stable: scripts may match it), the levels that it may
have, why it arises, and what to do about it. The text of a finding adds the figures at hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Level = Literal["error", "warning", "note"]
LEVELS: tuple[Level, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of finding. ``levels``: those that it may have, the worst first."""

    levels: tuple[Level, ...]
    cause: str
    remedy: str


ERROR: tuple[Level, ...] = ("error",)
WARNING: tuple[Level, ...] = ("warning",)
NOTE: tuple[Level, ...] = ("note",)
WARNING_OR_NOTE: tuple[Level, ...] = ("warning", "note")
ERROR_OR_WARNING: tuple[Level, ...] = ("error", "warning")

KINDS: dict[str, Kind] = {
    "targets-unmet": Kind(
        ERROR,
        "No window with any gains settles in time, with so little overshoot, at every corner.",
        "Allow a longer settling time, narrow the tolerances, or add damping to the filter.",
    ),
    "band-ripple": Kind(
        NOTE,
        "The reading ripples with the phase, and the ripple comes off the 2 % band of settling.",
        "Clock the loop from the source that the output follows; if the window is not whole, "
        "choose one that is.",
    ),
    "rated-unreachable": Kind(
        ERROR,
        "At one corner the rated voltage needs more drive than the limit allows.",
        "Raise the drive limit (up to 1.2) or the least bus voltage; or lower load or inductance.",
    ),
    "rated-clips": Kind(
        WARNING,
        "At one corner the rated voltage needs a clipped sine.",
        "Raise the least bus voltage to hold it without distortion.",
    ),
    "bus-measured": Kind(
        NOTE,
        "The bus is measured and divided out of the drive.",
        "Nothing; the text says how late the reading is, and what is left of a ripple.",
    ),
    "bus-lost-margin": Kind(
        WARNING,
        "With the bus sensor lost the loop's gain may rise beyond the gain margin.",
        "Ask for a lower peak sensitivity, or narrow the bus.",
    ),
    "bus-return-step": Kind(
        WARNING,
        "A reading of the bus that is back after a loss moves the output beyond the tolerance.",
        "Filter the bus sensor, or give it finer codes.",
    ),
    "bus-clips": Kind(
        NOTE,
        "At the lowest bus rated voltage needs a clipped sine, with which the loop is slower, "
        "however well the bus is measured.",
        "Raise the least bus voltage, or see in simulate how much slower.",
    ),
    "loop-unstable": Kind(
        ERROR,
        "The given gains make the loop unstable at one corner.",
        "Lower them, or leave [gains] out.",
    ),
    "given-settling": Kind(
        ERROR,
        "The given gains settle later than asked at one corner.",
        "Change the gains or the target.",
    ),
    "given-overshoot": Kind(
        ERROR,
        "The given gains overshoot more than asked at one corner.",
        "Change the gains or the target.",
    ),
    "sensitivity-high": Kind(
        WARNING,
        "The given gains leave a peak sensitivity above the target's at one corner.",
        "Lower them.",
    ),
    "partial-window": Kind(
        WARNING,
        "The window does not hold a whole number of half cycles, so that its reading moves "
        "with the phase.",
        "Change the loop period for a whole window.",
    ),
    "nearly-whole-window": Kind(
        NOTE,
        "The window misses whole half cycles by less than a clock's error, and counts as whole.",
        "Nothing.",
    ),
    "window-zeros": Kind(
        NOTE,
        "A shaped window lets nothing through at the frequencies at which its weights have zeros.",
        "Nothing; a longer window has room for the zeros that the text says are left out.",
    ),
    "no-shaped-window": Kind(
        ERROR,
        "No weights of a window that is short enough have the zeros that the spec calls for.",
        "Sample faster, or allow a longer window.",
    ),
    "window-error": Kind(
        ERROR_OR_WARNING,
        "The window's own error at the output exceeds the voltage tolerance.",
        "Reduce the part that the text names as the largest, or widen the tolerance.",
    ),
    "few-points": Kind(
        WARNING,
        "Few distinct points a half cycle leave the mean uncertain.",
        "Sample faster, or measure RMS.",
    ),
    "sampling-error": Kind(
        NOTE,
        "The sampled reading is a little off the true one.",
        "Nothing if it is a fixed bias, which it is in a whole window with a clock in step.",
    ),
    "frequency-drift": Kind(
        WARNING,
        "The frequency may be off the nominal one, which leaves the reading uncertain.",
        "Clock the loop from the source that is followed, measure RMS, or narrow the tolerance.",
    ),
    "odd-window": Kind(
        WARNING_OR_NOTE,
        "With an odd count of half cycles the sensor's zero error flips from window to window.",
        "Take an even count, or trim the zero.",
    ),
    "output-ripple": Kind(
        WARNING_OR_NOTE,
        "The reading ripples within the cycle, and the regulator turns that into DC and harmonics.",
        "Nothing within the limit; else trim or track the zero, or take a longer window.",
    ),
    "too-much-dc": Kind(
        ERROR,
        "Every window that meets the targets makes more DC at the output than is allowed.",
        "Trim or track the zero, allow more settling time, or more DC.",
    ),
    "dearer-window": Kind(
        NOTE,
        "Another kind of window would settle sooner, for more work in each update.",
        "Ask for less settling time, or for the fastest, to have it.",
    ),
    "law-normalised": Kind(
        NOTE,
        "The plain law misses the targets with every window that is allowed, and the normalised "
        "one meets them; or the fastest loop is asked for, and the normalised one settles first.",
        "Nothing; or state the law, so that it stays.",
    ),
    "law-gain": Kind(
        NOTE,
        "The normalised law would settle sooner, or with more margin, than the plain one with the "
        "window that was chosen.",
        "Ask for it if that is worth some more work in each update.",
    ),
    "adc-noise": Kind(
        ERROR_OR_WARNING,
        "Noise and rounding of the converter move the output.",
        "Filter the sensor, allow more settling time, or take a longer window; if rounding "
        "alone is too much, lower the volts per code.",
    ),
    "clipped-mean": Kind(
        WARNING_OR_NOTE,
        "At the drive limit the sine clips, and the mean reads it high.",
        "Measure RMS if the reading in overload must be true.",
    ),
    "clipped-rms": Kind(
        NOTE,
        "At the drive limit the sine clips; the text says whether the RMS reading stays true.",
        "Nothing if it does, or if nothing relies on the reading in overload; else sample faster.",
    ),
    "harmonics-fold": Kind(
        WARNING,
        "A rectifier's harmonics put the reading off: by folding, and a mean by the shape too.",
        "Sample faster, measure RMS if that helps, or allow a wider tolerance.",
    ),
    "late-between": Kind(
        WARNING,
        "With updates neither at once nor as late as they may be the filter's ringing makes the "
        "loop slower than in both cases, or makes it overshoot more, or leaves less gain margin.",
        "Let the drive take the scale at a fixed time after the block; or change the loop period.",
    ),
    "latest-update": Kind(
        WARNING_OR_NOTE,
        "How late an update may be done for the targets to hold; a warning if it may not be late.",
        "Give the update a priority that allows it; else allow more settling time, or sample "
        "faster.",
    ),
    "integral-vanishes": Kind(
        ERROR,
        "The integral constant rounds to zero in the integrator's format.",
        "Raise it.",
    ),
    "dead-band": Kind(
        ERROR,
        "The integrator stalls further from the target than the tolerance.",
        "Widen the tolerance, or make the steps of the output finer.",
    ),
    "steady-error": Kind(
        ERROR,
        "The errors that remain in the steady state exceed the tolerance together.",
        "Reduce the one that the text names as the largest, or widen it.",
    ),
    "coarse-output": Kind(
        WARNING,
        "A step of the output is no finer than a step of the reading, so the output may hunt.",
        "Raise the duty counts, or call the drive more often.",
    ),
    "drive-rate": Kind(
        WARNING_OR_NOTE,
        "The drive, called so rarely, holds each duty so long that images of the sine pass the "
        "filter: the true RMS is off by what the text says, and the reading does not show it.",
        "Call NAME_drive or NAME_duty with every PWM period, at least as often as the text says.",
    ),
    "coefficient-rounding": Kind(
        WARNING,
        "A constant is more than 1 % off in its integer.",
        "Use 32-bit words, or a shorter settling time.",
    ),
    "zero-tracked": Kind(
        NOTE,
        "The zero of the sensor is tracked: after a start the regulator makes more DC until what "
        "is tracked has converged.",
        "Nothing, or trim the zero, which leaves less to track.",
    ),
    "zero-untrackable": Kind(
        ERROR,
        "Tracking the zero of the sensor would leave as much of its error as there is, or could "
        "not begin, as the output never counts as settled.",
        "Leave sensor.track_zero out, or trim the zero; or narrow the frequency's tolerance, or "
        "take a loop period that divides a few cycles.",
    ),
    "stuck-unseen": Kind(
        ERROR,
        "A sensor that sticks at a code cannot be told from a healthy one, as the zero may be off "
        "by too much of rated, or as the window is too short.",
        "Trim the sensor's zero and state a smaller zero_tolerance_codes, or use more of the ADC's "
        "range.",
    ),
    "start-as-stuck": Kind(
        ERROR,
        "The filter may ring near a multiple of the sampling rate, which the samples take for a "
        "steady voltage: at a start a healthy sensor is taken for a stuck one.",
        "Choose a loop period at which no filter inside the tolerances rings near a multiple of "
        "the sampling rate, or damp the filter.",
    ),
    "range-below-rated": Kind(
        ERROR,
        "The converter's range ends below the rated voltage.",
        "Raise the volts per code.",
    ),
    "no-rest": Kind(
        ERROR_OR_WARNING,
        "At rest the integer loop moves the output by a good part of the tolerance.",
        "Follow the text, which says what another window or finer steps of the output or of the "
        "converter give; or widen the tolerance.",
    ),
    "design-refused": Kind(
        WARNING,
        "Boards were run with the C of a design that has errors, which generate does not write.",
        "Correct the errors that design shows, then run the boards again.",
    ),
    "rest-unproven": Kind(
        WARNING,
        "The bound of the movement at rest over all boards is above twice the tolerance, though no "
        "board that was run moves that far.",
        "Make the steps of the output finer (bridge.pwm_counts), or widen the tolerance.",
    ),
    "rest-off-target": Kind(
        ERROR,
        "The integer loop rests further from the target than the tolerance.",
        "Widen the tolerance, or raise the gains.",
    ),
    "no-whole-window": Kind(
        ERROR,
        "No window that is short enough holds a whole number of half cycles.",
        "Change the loop period, allow a longer window, or accept a partial one.",
    ),
    "window-pinned": Kind(
        NOTE,
        "The count of half cycles was written into the spec to keep the response.",
        'Set it to "auto" to let the design choose.',
    ),
    "window-moved": Kind(
        WARNING_OR_NOTE,
        "The count of half cycles could not be kept at the new values.",
        "Take the loop period that the text names.",
    ),
    "gains-pinned": Kind(
        NOTE,
        "The design at the new values would choose other constants than those kept.",
        "Remove [gains] to have the design choose.",
    ),
    "other-response": Kind(
        NOTE,
        "Another response than the old one was asked for.",
        "Compare the two step responses.",
    ),
    "response-kept": Kind(NOTE, "The response is kept at the new period.", "Nothing."),
    "response-moved": Kind(
        WARNING,
        "The response is not kept in full at the new period.",
        "Compare the two, or take a period nearer to the old window.",
    ),
    "retune-impossible": Kind(
        ERROR,
        "The old constants do not meet the targets at the new period.",
        "Redesign, or take a period at which the old window is whole.",
    ),
    "too-few-boards": Kind(
        NOTE,
        "Fewer boards were run than there are corners of the tolerances.",
        "Ask for more.",
    ),
    "settling-above-design": Kind(
        WARNING,
        "A virtual board settles later than designed, beyond what measuring explains.",
        "Run that board alone and look for what the design leaves out.",
    ),
    "overshoot-above-design": Kind(
        WARNING,
        "A virtual board overshoots more than designed, beyond what measuring explains.",
        "Run that board alone and look for what the design leaves out.",
    ),
    "report-shape": Kind(
        WARNING,
        "The reported RMS is off by more than the tolerance, most of it by the wave's shape.",
        "Measure RMS if the finding says that it would read closer; else allow for it.",
    ),
    "report-folded": Kind(
        WARNING,
        "The reported RMS is off by more than the tolerance, most of it by harmonics and ringing "
        "that the sampling folds.",
        "Sample faster, or damp the filter's ringing.",
    ),
    "report-sampling": Kind(
        NOTE,
        "The reported RMS is off by more than the tolerance, most of it by the sampling of a "
        "clean sine.",
        "Sample faster, or do what else the text says.",
    ),
    "report-zero": Kind(
        NOTE,
        "The reported RMS is off by more than the tolerance, most of it by the sensor's zero.",
        "Trim the zero; with an odd number of half cycles read the mean of two windows.",
    ),
    "report-noise": Kind(
        NOTE,
        "The reported RMS is off by more than the tolerance, most of it by noise and rounding.",
        "Filter the sensor, or take a longer window.",
    ),
    "report-change": Kind(
        NOTE,
        "The reported RMS is off by more than the tolerance, most of it by a change of the output "
        "within the sensor's delay.",
        "Read the next window.",
    ),
    "over-voltage": Kind(
        WARNING,
        "Boards leave a published voltage limit, which no window regulator can prevent.",
        "Protect the load with a separate over-voltage cut-out in hardware.",
    ),
    "dc-above-limit": Kind(
        WARNING,
        "A virtual board has more DC at its output than the regulator may make: the error of the "
        "sensor's zero moves the scale within a cycle, or from one odd window to the next. "
        "Rounding, noise and harmonics of the load that the sampling folds add to it.",
        "Take an even number of half cycles or a shaped window with a zero at the mains frequency, "
        "trim the sensor's zero, or allow more in output.dc_percent.",
    ),
    "sensor-dead": Kind(
        ERROR,
        "A board reads next to nothing while the meter shows a voltage.",
        "Check the sensor's supply, its wiring and the ADC's channel.",
    ),
    "reading-stuck": Kind(
        ERROR,
        "A board's readings do not follow the meter's.",
        "Check the sensor, and the table's columns.",
    ),
    "gain-implausible": Kind(
        ERROR,
        "A board's gain is more than a third off the spec's: a wrong column, unit or probe.",
        "Check the table; if the sensor has that gain, correct the spec first.",
    ),
    "gain-unmeasured": Kind(
        WARNING,
        "No reading has a voltage on the meter's and on the firmware's side.",
        "Take some at the rated voltage.",
    ),
    "gain-single-reading": Kind(
        WARNING,
        "One reading alone gives the gain, without its scatter.",
        "Take several.",
    ),
    "gain-differs": Kind(NOTE, "The fitted gain is not the spec's.", "Write it into the spec."),
    "gain-agrees": Kind(
        NOTE,
        "The spec's gain is inside the 95 % interval of the fit.",
        "Keep it.",
    ),
    "zero-single-reading": Kind(
        WARNING,
        "One reading alone gives the zero, without its scatter.",
        "Take several.",
    ),
    "zero-differs": Kind(NOTE, "The fitted zero is not the spec's.", "Write it into the spec."),
    "zero-agrees": Kind(NOTE, "The spec's zero agrees with the fit.", "Keep it."),
    "zero-pairs-beyond": Kind(
        WARNING,
        "The readings show a zero error beyond the tolerance, of unknown sign.",
        "Take readings of the mean code.",
    ),
    "zero-sign-unknown": Kind(
        NOTE,
        "The readings show a zero error inside the tolerance, of unknown sign.",
        "For its value take readings of the mean code.",
    ),
    "zero-invisible": Kind(
        NOTE,
        "These readings do not show the zero.",
        "Add mean codes, or pairs at low voltages.",
    ),
    "spread-recentred": Kind(
        WARNING_OR_NOTE,
        "A board is beyond the tolerance of the spec's value, and inside that of the fitted one.",
        "Write the fitted value into the spec.",
    ),
    "spread-beyond": Kind(
        ERROR,
        "A board is beyond the tolerance.",
        "State a wider one, or sort the boards out.",
    ),
    "spread-one-board": Kind(NOTE, "One board does not show the spread.", "Measure several."),
    "spread-uncertain": Kind(
        WARNING,
        "So few boards do not show whether all others keep the tolerance.",
        "Measure more, or state a wider tolerance.",
    ),
    "spread-reach": Kind(
        NOTE,
        "The range that holds 99 % of all boards, estimated from those measured.",
        "Nothing if that is inside the tolerance.",
    ),
    "reading-outlier": Kind(
        WARNING,
        "A reading, or a board, is far off the others; it was left out.",
        "Take it again.",
    ),
    "log-as-model": Kind(
        NOTE,
        "Every row of the log is what the model makes of the rows before it.",
        "Nothing.",
    ),
    "log-differs": Kind(
        ERROR,
        "A row of the log is not what the model makes of the row before it: the firmware is not "
        "this spec's, is not called as the spec says, or changed while the row was being logged.",
        "Look at the cause that the text names, in the firmware or in the logging code.",
    ),
    "log-blocks-missed": Kind(
        WARNING,
        "The firmware says MISSED: a block ended that no update took.",
        "Give the update more time, or a higher priority.",
    ),
    "log-limiter-acted": Kind(
        NOTE,
        "Rows of the log say HELD: a limiter acted, so that the reading is not what the plant "
        "alone makes of the scale. They are left out of the fit.",
        "Log a step during which no limiter acts, if the fit has too few rows.",
    ),
    "log-gaps": Kind(
        NOTE,
        "Updates are not in the log; after each gap the check and the fit begin afresh.",
        "Nothing, if enough rows follow each other; else a longer ring, or a faster channel.",
    ),
    "log-bad-lines": Kind(
        WARNING,
        "Lines have a wrong check byte; they count as lost.",
        "Check the channel's speed and the printing code.",
    ),
    "log-cut": Kind(
        NOTE,
        "The last line of a log has no line end: a number that is cut short looks like a number.",
        "Nothing, if the log was stopped by hand; else end the last line.",
    ),
    "log-column-unused": Kind(
        NOTE,
        "A column of the log has an unknown title, and is not used.",
        "Compare its title with the documented ones.",
    ),
    "drive-hardly-moves": Kind(
        ERROR,
        "The log does not tell the delay, or not even the gain: the drive hardly moves in it, or "
        "it is too short.",
        "Log a step of the target as well, such as from 90 % to 100 % of rated.",
    ),
    "ringing-unseen": Kind(
        ERROR,
        "The capture shows no ringing of the filter that decays, or too little of it.",
        "Record the output, many samples in a period, while a load is switched off near a crest.",
    ),
    "ringing-inside": Kind(
        NOTE,
        "The filter rings at a frequency that the tolerances of L and C allow.",
        "Nothing.",
    ),
    "ringing-outside": Kind(
        ERROR,
        "The filter rings, by the whole 95 % interval, at a frequency that no L and C inside their "
        "tolerances have.",
        "Measure one of the two parts; state its value or tolerance as it is, and design again.",
    ),
    "ringing-undamped": Kind(
        ERROR,
        "The filter rings on for longer than the spec's losses and lightest load allow.",
        "State the resistance as it is, and design again; or find what takes the loss away.",
    ),
    "ringing-damped": Kind(
        NOTE,
        "The filter's ringing dies away sooner than with the spec's losses and heaviest load.",
        "Nothing: what is damped more is on the safe side. A greater resistance may be stated.",
    ),
    "spec-written": Kind(
        NOTE,
        "The spec was changed; the logs are of the firmware of the old spec, and are refused now.",
        "Design, generate and log again; to read old logs again keep a copy of the old spec.",
    ),
    "spec-unchanged": Kind(
        NOTE,
        "Nothing was written: what was measured changes no key, or is not enough to change one.",
        "If the text says what to do, do it; otherwise nothing is needed.",
    ),
    "board-inside": Kind(
        NOTE,
        "Gain and delay of the board are inside the corners that the design relies on.",
        "Nothing.",
    ),
    "board-gain-outside": Kind(
        ERROR,
        "The board's gain is outside the design's corners, by more than twice its +-, "
        "the systematic part left out.",
        "Measure the output with a meter: a sensor that reads wrong is calibrated. Else state the "
        "tolerances as they are, and design again; or find the board's fault.",
    ),
    "board-delay-outside": Kind(
        ERROR,
        "The board's delay is outside the design's corners, by more than twice its +-, "
        "the systematic part left out.",
        "See when the updates run; state how late they may be, and design again.",
    ),
    "board-gain-steps": Kind(
        NOTE,
        "The gain changes within the log, as at a step of the load or of the bus.",
        "Nothing; log one load at a time to tell them apart.",
    ),
    "board-loop-slow": Kind(
        WARNING,
        "By the design's model this board settles later than the spec asks for.",
        "Find out why its gain or delay differs.",
    ),
    "board-loop-unstable": Kind(
        ERROR,
        "By the design's model the loop is unstable with this board.",
        "Stop here: find out why its gain or delay differs.",
    ),
    "boards-spread": Kind(
        WARNING_OR_NOTE,
        "The range that holds the gains of 99 % of all boards, estimated from those measured, and "
        "the share of all that is inside the corners.",
        "Measure more boards, or state wider tolerances, if that share is too small.",
    ),
    "board-outlier": Kind(
        WARNING,
        "A board's gain is far off that of the others; it was left out of the spread.",
        "Log it again, or look for what is wrong with it.",
    ),
    "few-captured-points": Kind(
        WARNING, "The record has fewer than 20 samples a cycle.", "Record faster."
    ),
    "capture-level": Kind(
        WARNING,
        "The recorded voltage is less than half of rated, or more than one and a half times rated.",
        "Check the channel, the unit and the probe's ratio.",
    ),
    "nothing-to-judge": Kind(
        WARNING,
        "No window of the record has enough voltage to judge the reading by.",
        "Check the channel.",
    ),
    "measure-agrees": Kind(
        NOTE,
        "The reading follows the record inside the tolerance.",
        "Keep the measure.",
    ),
    "measure-other-better": Kind(
        WARNING,
        "The other measure would read this record closer.",
        "Change loop.measure.",
    ),
    "measure-off": Kind(
        WARNING,
        "Neither measure reads this record inside the tolerance.",
        "Look at the window, the zero and the record.",
    ),
    "no-whole-cycle": Kind(WARNING, "The record holds no whole cycle.", "Record longer."),
    "frequency-differs": Kind(
        WARNING,
        "The record's frequency is at least twice the spec's.",
        "Correct the spec.",
    ),
    "frequency-off-record": Kind(
        WARNING,
        "The record's frequency is off by more than the spec allows for, which costs more than a "
        "tenth of the voltage tolerance.",
        "Correct the frequency, or state its tolerance.",
    ),
    "record-flips": Kind(
        WARNING,
        "An odd count: the reading flips from window to window of this record.",
        "Take an even count, or correct the zero.",
    ),
    "zero-recorded-beyond": Kind(
        WARNING,
        "The record's zero is off by more than the spec's tolerance.",
        "Look for DC at the output or in the recorder, or calibrate the zero.",
    ),
    "zero-recorded-inside": Kind(
        NOTE,
        "The record's zero is inside the spec's tolerance.",
        "Keep it.",
    ),
    "adc-range-exceeded": Kind(
        WARNING,
        "Samples of the record are beyond the converter's range.",
        "Raise the volts per code.",
    ),
    "time-unit-assumed": Kind(
        NOTE,
        "The time column has no unit; it was taken as seconds.",
        "Name the unit in the heading if it is another.",
    ),
    "channel-chosen": Kind(
        NOTE,
        "Several channels fit; one was chosen.",
        "Name another if it is wrong.",
    ),
    "channel-unit-assumed": Kind(
        NOTE,
        "The channel has no unit; it was taken as volts.",
        "Name the unit in the heading if it is another.",
    ),
    "channel-not-volts": Kind(
        WARNING,
        "The channel is not in volts; its numbers were taken as volts.",
        "Choose another channel, or give the probe's ratio.",
    ),
    "rows-missing": Kind(
        WARNING,
        "The record declares more samples than it holds.",
        "Check whether it was cut short.",
    ),
    "secondary-values": Kind(
        NOTE,
        "The record's values are those of a transformer's secondary.",
        "Multiply by its ratio for the primary's.",
    ),
    "capture-cut": Kind(
        WARNING,
        "The record is longer than what is used of it.",
        "Choose a section.",
    ),
    "rows-left-out": Kind(WARNING, "Rows without two numbers were left out.", "Check the export."),
    "values-missing": Kind(WARNING, "Samples without a value were left out.", "Check the export."),
    "capture-gaps": Kind(
        WARNING,
        "The record has gaps; windows that touch one were left out.",
        "Record without interruption.",
    ),
    "time-reversed": Kind(
        NOTE,
        "Time runs backwards in the record; the order of the rows was reversed.",
        "Nothing.",
    ),
    "time-coarse": Kind(
        WARNING,
        "Rows share a time stamp; they were taken as evenly spaced.",
        "Export more digits.",
    ),
    "rows-out-of-order": Kind(
        WARNING,
        "Rows that do not come later than those before were left out.",
        "Check the export.",
    ),
}
"""Every kind of finding, by code."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One remark about a design. ``key`` is the spec key (or topic) that it concerns."""

    level: Level
    key: str
    text: str
    code: str

    def __str__(self) -> str:
        return f"{self.level}: {self.key}: {self.text} [{self.code}]"


def finding(code: str, key: str, text: str, level: Level | None = None) -> Finding:
    """A finding of the kind ``code``; ``level`` only if the kind may have several."""
    levels = KINDS[code].levels
    if level is None:
        (level,) = levels
    if level not in levels:
        raise ValueError(f"a finding {code} is never of level {level}")
    return Finding(level, key, text, code)


def any_error(findings: Iterable[Finding]) -> bool:
    """Whether a finding says that a limit is broken."""
    return any(entry.level == "error" for entry in findings)


def by_severity(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Errors first, then warnings, then notes; otherwise in the order given."""
    return tuple(sorted(findings, key=lambda entry: LEVELS.index(entry.level)))


@dataclass(frozen=True, slots=True)
class Group:
    """Findings of one kind that end in the same advice. ``parts``: the key and what is wrong of
    each; ``advice``: what they all end in, "" if that is part of the one there is."""

    level: Level
    code: str
    parts: tuple[tuple[str, str], ...]
    advice: str

    def lines(self) -> tuple[str, ...]:
        """As it is printed: one line for a single finding, else one a part and one of advice."""
        heads = [f"{key}: {text}" for key, text in self.parts]
        heads[0] = f"{self.level}: {heads[0]}"
        if self.advice:
            heads.append(self.advice)
        heads[-1] += f" [{self.code}]"
        return tuple(heads)


def grouped(findings: Iterable[Finding]) -> tuple[Group, ...]:
    """``findings`` in their order, but that those of one code which differ in what is wrong alone
    stand together, with their advice once."""
    alike: dict[tuple[str, ...], list[Finding]] = {}
    for entry in findings:
        advice = entry.text.partition("; ")[2]
        key = (entry.level, entry.code, advice or f"{entry.key}: {entry.text}")
        alike.setdefault(key, []).append(entry)
    return tuple(_group(entries) for entries in alike.values())


def _group(entries: list[Finding]) -> Group:
    first = entries[0]
    if len(entries) == 1:
        return Group(first.level, first.code, ((first.key, first.text),), "")
    parts = tuple((entry.key, entry.text.partition("; ")[0]) for entry in entries)
    return Group(first.level, first.code, parts, first.text.partition("; ")[2])
