"""The JSON of ``halfcycle identify``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from halfcycle.base import findings as base
from halfcycle.bench import board_loop, calibrate, filter_ringing, ringing_fit
from halfcycle.bench import identify as domain
from halfcycle.output.base import Bounds, Entry, Finding, each, means
from halfcycle.spec.models import Value


class Interval(Entry):
    """A value with its 95 % interval, of which ``systematic`` is a part."""

    value: float = means("the estimate")
    low: float | None = means("lower end; null if one board cannot show the scatter")
    high: float | None = means("upper end")
    systematic: float = means(
        "part of either half of the interval that a longer log cannot reduce (of a gain or a "
        "delay: due to the phase of the sine and the rounding of the drive's sine); else 0"
    )

    @classmethod
    def of(cls, estimate: calibrate.Estimate | None) -> Interval | None:
        """An estimate; None if there is none."""
        if estimate is None:
            return None
        return cls(
            value=estimate.value,
            low=estimate.low,
            high=estimate.high,
            systematic=estimate.systematic,
        )


class RowDiffers(Entry):
    """The first row that is not what the model makes of the rows before."""

    log: str = means("the log's file")
    line: int = means("line of the file, from 1")
    update: int = means("its number in the column `update`")
    cause: str = means(
        "likely cause: flags, torn, twice, late, early, skipped, unlogged, scaling, gains, "
        "reading or unknown"
    )
    text: str = means("the same in words")
    differing: int = means("number of rows of this log that differ")


class Level(Entry):
    """The gain from one update on."""

    update: int = means("first update of the level")
    gain: Interval | None = means("rated volts per unit of scale")


class Loop(Entry):
    """The loop with this board, by the design's model; null if undefined."""

    stable: bool = means("whether the loop is stable")
    settling_ms: float | None = means("after a step of the target, ms")
    overshoot_percent: float | None = means("% of the target step")
    gain_margin_db: float | None = means("dB")
    phase_margin_deg: float | None = means("degrees")
    peak_sensitivity: float | None = means("Ms; with a moving window that of the averaged loop")


class BoardLog(Entry):
    """The results of one log."""

    log: str = means("name of the file")
    rows: int = means("number of rows")
    gaps: int = means("gaps between the rows")
    compared: int = means("rows that follow another row, and so were compared with the model")
    exact: bool = means(
        "whether the comparison was bit for bit, which needs sums and integral in the log"
    )
    missed: int = means("rows with the flag MISSED")
    bad_lines: int = means("lines left out because of their check byte")
    gain: Interval | None = means("rated volts per unit of scale; null if the log does not show it")
    delay_share: Interval | None = means(
        "share of a change of scale that shows in the very next reading; null if the log does not "
        "show it"
    )
    noise_percent: float | None = means("noise of a reading, % of rated, RMS")
    levels: list[Level] = means("levels of the gain; more than one if the load or the bus changed")
    loop: Loop | None = means("the loop with this board")

    @classmethod
    def of(cls, log: domain.BoardLog) -> BoardLog:
        """One log."""
        plant, checked = log.plant, log.checked
        return cls(
            log=log.name,
            rows=checked.rows,
            gaps=checked.gaps,
            compared=checked.compared,
            exact=checked.exact,
            missed=checked.missed,
            bad_lines=log.remarks.bad_lines,
            gain=Interval.of(plant.gain) if plant else None,
            delay_share=Interval.of(plant.share) if plant and plant.share else None,
            noise_percent=100 * plant.noise if plant else None,
            levels=[
                Level(update=level.update, gain=Interval.of(level.gain))
                for level in (plant.levels if plant else ())
            ],
            loop=Loop.model_validate(log.loop) if log.loop else None,
        )


class Ringing(Entry):
    """The filter's ringing in one capture; null if the capture does not show it."""

    capture: str = means("name of the file")
    frequency_hz: Interval | None = means("frequency of the ringing, Hz")
    decay_per_s: Interval | None = means(
        "inverse of the time in which the ringing falls by a factor of e, per second"
    )
    damping_ratio: Interval | None = means("decay over the undamped angular frequency")
    amplitude_v: float | None = means("amplitude at the start of the fit, V")
    noise_v: float | None = means("residual of the fit, V RMS")
    corners_frequency_hz: Bounds = means("range that the spec's tolerances and loads allow, Hz")
    corners_decay_per_s: Bounds = means(
        "range that the spec's tolerances, loads and losses allow, per second"
    )
    inside: bool | None = means(
        "whether the filter may be within the spec's ranges, or is damped more"
    )
    advice: dict[str, float] = means(
        "spec keys, dotted, each with a value with which that key alone would hold this board; a "
        "tolerance is +-"
    )

    @classmethod
    def of(cls, board: filter_ringing.BoardRinging) -> Ringing:
        """One capture's."""
        fit = board.fit if isinstance(board.fit, ringing_fit.RingingFit) else None
        return cls(
            capture=board.name,
            frequency_hz=Interval.of(fit.frequency_hz if fit else None),
            decay_per_s=Interval.of(fit.decay_per_s if fit else None),
            damping_ratio=Interval.of(fit.damping_ratio if fit else None),
            amplitude_v=fit.amplitude_v if fit else None,
            noise_v=fit.noise_v if fit else None,
            corners_frequency_hz=_bounds(board.corners.frequency_hz),
            corners_decay_per_s=_bounds(board.corners.decay_per_s),
            inside=board.inside,
            advice=board.advice,
        )


class Identify(Entry):
    """Logs of running firmware, compared with the model and the design's corners."""

    rows: int = means("rows of all logs")
    as_model: bool | RowDiffers | None = means(
        "true, or the first row that differs from the model; null without a log"
    )
    gain: Interval | None = means(
        "rated volts per unit of scale; the mean of several boards; null if no log shows it"
    )
    delay_share: Interval | None = means(
        "share of a change of scale that shows in the very next reading; with several boards as "
        "for `gain`"
    )
    corners_gain: Bounds = means("range that the design relies on")
    corners_delay_share: Bounds = means("range that the design relies on")
    inside_corners: bool | None = means(
        "whether every board is inside the corners; null if a log does not show it"
    )
    predicted_settling_ms: float | None = means(
        "settling time of a target step on the slowest board, by the design's model, ms"
    )
    gain_reach: float | None = means(
        "spread about the mean that holds 99 % of all boards with 95 % confidence, +-"
    )
    share_of_boards: float | None = means(
        "least share of all boards whose gain is inside the corners, with 95 % confidence"
    )
    outliers: list[str] = means("boards that are unlike the others, left out of the spread")
    boards: list[BoardLog] = means("results of each log")
    ringing: list[Ringing] = means("results of each capture that was given")
    changes: dict[str, float] = means("spec keys, dotted, with values that hold every board")
    written: list[str] = means("keys written into the spec")
    findings: list[Finding] = means("what to do")

    @classmethod
    def of(
        cls,
        found: domain.Identification,
        ringing: Iterable[filter_ringing.BoardRinging],
        changes: Mapping[str, Value],
        findings: Iterable[base.Finding],
        *,
        written: bool,
    ) -> Identify:
        """An identification; ``changes``: the spec's keys with other values, ``written`` or not."""
        times = [log.loop.settling_ms for log in found.logs if log.loop]
        known = [time for time in times if time is not None]
        return cls(
            rows=sum(log.checked.rows for log in found.logs),
            as_model=_as_model(found),
            gain=Interval.of(found.gain),
            delay_share=Interval.of(found.share),
            corners_gain=_bounds(found.corners.gain),
            corners_delay_share=_bounds(found.corners.share),
            inside_corners=found.inside,
            predicted_settling_ms=max(known) if known and len(known) == len(times) else None,
            gain_reach=found.gain_reach,
            share_of_boards=found.share_of_boards,
            outliers=list(found.outliers),
            boards=[BoardLog.of(log) for log in found.logs],
            ringing=[Ringing.of(board) for board in ringing],
            changes={key: float(value) for key, value in changes.items()},
            written=list(changes) if written else [],
            findings=each(Finding, findings),
        )


def _bounds(limits: board_loop.Range) -> Bounds:
    return limits.low, limits.high


def _as_model(found: domain.Identification) -> bool | RowDiffers | None:
    if not found.logs:
        return None
    for log in found.logs:
        first, cause = log.checked.first, log.checked.cause
        if first is not None and cause is not None:
            return RowDiffers(
                log=log.name,
                line=first.line,
                update=first.update,
                cause=cause.kind,
                text=cause.text,
                differing=log.checked.differing,
            )
    return True
