"""Rows of figures that a design has, and the best of a refused spec: loop, gains, DC, drive."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from halfcycle.design.error_parts import with_sensor
from halfcycle.design.types import Trial
from halfcycle.loop.discretise import WindowGains, to_continuous
from halfcycle.loop.figures import LoopFigures
from halfcycle.loop.judged_steps import OVERLOADED
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.loop.moving_search import MIN_GAIN_MARGIN
from halfcycle.loop.plant_types import Plants
from halfcycle.loop.targets import LoopTargets
from halfcycle.report.loop_section import FIGURES
from halfcycle.report.parts import Corners, asked, beside, carried, exact, quantity
from halfcycle.spec.models import Spec

LEAST_GAIN_MARGIN_DB = 20 * math.log10(MIN_GAIN_MARGIN)
"""Of a window of blocks."""


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: what was asked for (may be empty), what there is, at which corner, and whether
    it is kept (None: nothing was asked). ``further``: whether it can wait for the appendix; a
    figure that is not kept never does."""

    name: str
    asked: str
    got: str
    where: str = ""
    kept: bool | None = None
    further: bool = False

    @property
    def first(self) -> bool:
        """Whether it stands on the first page."""
        return not self.further or self.kept is False


def loop_rows(spec: Spec, loop: LoopFigures, named: Corners) -> Iterator[Row]:
    """Settling, overshoot and the margins, beside what is asked for."""
    targets = LoopTargets.of(spec)
    kept_at = {
        "settling_ms": targets.settles(loop),
        "overshoot_percent": targets.held(loop),
        "peak_sensitivity": targets.robust(loop),
    }
    for key, name, unit in FIGURES[:5]:
        value, kept = getattr(loop, key), kept_at.get(key)
        if key == "gain_margin_db" and isinstance(loop, MovingFigures) and value is not None:
            yield Row(
                name,
                f"≥ {quantity(LEAST_GAIN_MARGIN_DB, unit)}",
                quantity(value, unit) if loop.stable else "unstable",
                named.letter(loop.worst.get(key)),
                value >= LEAST_GAIN_MARGIN_DB,
            )
            continue
        limit = None if kept is None else getattr(targets, key)
        if limit is not None and math.isinf(limit):
            limit = None
        got = "undefined"
        if value is not None:
            got = quantity(value, unit) if limit is None else beside(value, limit, unit)
        if not loop.stable:
            got = "unstable"
        yield Row(
            name + _of_which(spec, loop, key),
            "" if limit is None else f"≤ {asked(limit, unit)}",
            got,
            named.letter(loop.worst.get(key)),
            kept,
        )
    if isinstance(loop, MovingFigures):
        if loop.lifted_norm is not None:
            yield Row(
                "peak sensitivity Ms over every phase of the sine, as the margins are",
                "",
                quantity(loop.lifted_norm, ""),
                further=True,
            )
        yield Row(
            "time above 120 % at the worst corner, after an overload that held the output at "
            f"{100 * OVERLOADED:g} % of rated",
            "",
            f"{quantity(loop.release_ms, 'ms')}, the highest "
            f"{quantity(loop.release_peak_percent, '%')}",
        )


def _of_which(spec: Spec, loop: LoopFigures, key: str) -> str:
    """What the settling time does not count, if the target climbs; and of which loop Ms is, if a
    window of blocks has two."""
    ramp = spec.targets.ramp_ms
    if key == "settling_ms" and ramp:
        return f", beyond the ramp of {asked(ramp, 'ms')}"
    if key == "peak_sensitivity" and isinstance(loop, MovingFigures):
        return " of the loop averaged over the sine's phases"
    return ""


def gain_rows(spec: Spec, trial: Trial) -> Iterator[Row]:
    """The constants of a window: continuous ones, and those of each update."""
    gains = to_continuous(
        WindowGains(trial.kp, trial.ki), trial.window.update_s, spec.loop.integration
    )
    unit = "scale per pu" if trial.plants.law is None else "of the drive per share"
    given = "given" if spec.gains is not None else ""
    per = "per update" if trial.window.moving else "per window"
    yield Row(
        "proportional gain",
        given,
        f"{carried(float(gains.proportional))} {unit}; {per} {exact(trial.kp)}"
        if trial.kp or spec.gains is not None
        else "none: integral action alone",
        further=True,
    )
    yield Row(
        "integral gain",
        given,
        f"{carried(float(gains.integral_per_s))} {unit} and s; {per} {exact(trial.ki)}",
        further=True,
    )


def dc_row(trial: Trial) -> Row:
    """What the regulator makes of the sensor's zero."""
    limit = trial.dc_limit_percent
    return Row(
        "DC that the regulator makes of the sensor's zero, of rated peak",
        f"≤ {asked(limit, '%')}",
        beside(trial.output.dc_percent, limit, "%") if trial.loop.stable else "unstable",
        kept=trial.little_dc,
    )


def scale_row(spec: Spec, plants: Plants, named: Corners) -> Row:
    """The drive that the weakest board needs."""
    scale = float(plants.scale_for_rated[plants.hardest])
    limit = float(spec.bridge.scale_max)
    return Row(
        "greatest scale that rated needs",
        f"≤ {exact(limit)}",
        beside(scale, limit) if scale < 1e6 else "none is enough",
        named.letter(plants.corners[plants.hardest].label),
        kept=scale <= limit,
        further=True,
    )


def sensor_text(spec: Spec, trial: Trial, steady_error_v: float) -> str:
    """What the steady error is with the sensor's zero and gain, and what these are of it."""
    whole = with_sensor(spec, trial, steady_error_v)
    share = quantity(100 * whole.total_v / float(spec.output.rated_rms_v), "%")
    return (
        f"with the sensor's zero ({quantity(whole.zero_v, 'V')}) and gain "
        f"({quantity(whole.gain_v, 'V')}): ± {quantity(whole.total_v, 'V')}, {share} of rated"
    )
