"""The loop's frequency response over every corner: Bode and Nyquist, margins marked."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfcycle.design.types import Design
from halfcycle.loop.figures import LoopFigures
from halfcycle.loop.frequency_response import nyquist_loop, open_loop
from halfcycle.loop.moving_figures import MovingFigures
from halfcycle.report.axis import Axis
from halfcycle.report.loop_section import UNSTABLE, row_of
from halfcycle.report.parts import Corners, Figure, decimal, quantity
from halfcycle.report.svg_chart import Chart

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

POINTS = 240


@dataclass(frozen=True, slots=True)
class Curves:
    """The open loop of every corner: ``theta`` (points,) radians per update; ``loop`` (C,
    points). Of a window of blocks it is averaged over the sine's phases."""

    theta: Real
    loop: Complex
    hertz: Real


def curves(design: Design) -> Curves:
    """Open-loop frequency responses, from well below crossover to half the update rate."""
    taps, kp, ki = design.plants.taps, float(design.kp), float(design.ki)
    slow = 0.2 * float(np.abs(taps.sum(axis=1)).min()) * abs(ki)
    low = min(max(slow, 1e-4), 0.3)
    theta = np.geomspace(low, math.pi, POINTS)
    loop = open_loop(taps, kp, ki, theta[None, :])
    loop[:, -1] = nyquist_loop(taps, kp, ki)
    return Curves(theta, loop, theta / (2 * math.pi * float(design.window.update_s)))


def gain_crossing(responses: Curves, row: int) -> float | None:
    """Frequency, Hz, where the gain of a corner crosses 1 with the least phase margin."""
    loop = responses.loop[row]
    at = np.nonzero((np.abs(loop[:-1]) > 1) != (np.abs(loop[1:]) > 1))[0]
    if not len(at):
        return None
    margin = np.abs(np.angle(-loop[at]))
    i = int(at[np.argmin(margin)])
    a, b = math.log(abs(loop[i])), math.log(abs(loop[i + 1]))
    return _between(responses.hertz, i, a / (a - b))


def phase_crossing(responses: Curves, row: int) -> float:
    """Frequency, Hz, where -L of a corner is real and greatest: half the update rate at the end."""
    loop = responses.loop[row]
    crossing = np.nonzero((loop.imag[:-2] > 0) != (loop.imag[1:-1] > 0))[0]
    best, hertz = -float(loop[-1].real), float(responses.hertz[-1])
    for i in crossing.tolist():
        a, b = loop[i].imag, loop[i + 1].imag
        share = a / (a - b)
        real = -(loop[i].real + share * (loop[i + 1].real - loop[i].real))
        if real > best:
            best, hertz = real, _between(responses.hertz, i, share)
    return hertz


def _between(hertz: Real, i: int, share: float) -> float:
    return float(math.exp((1 - share) * math.log(hertz[i]) + share * math.log(hertz[i + 1])))


def bode_figures(design: Design, named: Corners, responses: Curves) -> tuple[Figure, Figure]:
    """Gain and phase of the open loop; margins at their worst corners."""
    across = Axis(
        float(responses.hertz[0]), 1.1 * float(responses.hertz[-1]), "frequency, Hz", log=True
    )
    return (
        _gain_figure(design, named, responses, across),
        _phase_figure(design, named, responses, across),
    )


def _gain_figure(design: Design, named: Corners, responses: Curves, across: Axis) -> Figure:
    loop, hertz = design.loop, responses.hertz.tolist()
    size = 20 * np.log10(np.maximum(np.abs(responses.loop), 1e-9))
    bottom = 10 * math.floor(float(np.percentile(size[:, -1], 5)) / 10) - 5
    chart = Chart(
        across, Axis(max(bottom, -60), float(size.max()) + 3, "open-loop gain, dB", wanted=7)
    )
    chart.lines([(hertz, row.tolist()) for row in size], "all")
    chart.level(0.0, "frame")
    key = [("all", f"{len(size)} corners")]
    row = _drawn(design, "gain_margin_db")
    if row is not None and loop.gain_margin_db is not None:
        margin = loop.gain_margin_db
        chart.line(hertz, size[row].tolist(), "one")
        at = phase_crossing(responses, row)
        chart.line((at, at), (0.0, -margin), "one gauge")
        chart.dot(at, -margin, "one-dot")
        chart.note(at, -margin / 2, f"{decimal(margin)} dB", anchor="end", dx=-6, dy=4)
        key.append(("one", f"least gain margin ({named.letter(loop.worst['gain_margin_db'])})"))
    chart.key(*key)
    alt = (
        f"Open-loop gain over frequency at {len(size)} corners; least gain margin "
        f"{quantity(_margins(loop)[0], 'dB')}"
    )
    caption = (
        "Up to half the window rate, at which a loop of this kind loses its stability first. "
        "The bar is the least gain margin, at the frequency at which the phase passes −180°."
    )
    if isinstance(loop, MovingFigures):
        caption = (
            "Up to half the update rate, averaged over the sine's phases. Its least gain margin of "
            f"{quantity(loop.averaged_gain_margin_db, 'dB')} must not be relied on alone: the "
            f"loop is periodic, with a gain margin of {quantity(loop.gain_margin_db, 'dB')}."
        )
    if not loop.stable:
        caption = UNSTABLE
    return Figure("Open loop: gain", alt, caption, chart.svg(alt))


def _phase_figure(design: Design, named: Corners, responses: Curves, across: Axis) -> Figure:
    loop, hertz = design.loop, responses.hertz.tolist()
    phase = np.degrees(np.unwrap(np.angle(responses.loop), axis=1))
    phase -= 360 * np.round((phase[:, :1] + 90) / 360)
    floor = max(-540.0, float(phase.min()) - 15)
    turns = tuple((float(at), f"−{-at}") for at in range(-90, int(floor) - 1, -45))
    chart = Chart(across, Axis(floor, -75.0, "open-loop phase, °", given=turns))
    chart.lines([(hertz, row.tolist()) for row in phase], "all")
    chart.level(-180.0, "frame")
    key = [("all", f"{len(phase)} corners")]
    row = _drawn(design, "phase_margin_deg")
    if row is not None and loop.phase_margin_deg is not None:
        margin = loop.phase_margin_deg
        chart.line(hertz, phase[row].tolist(), "two")
        at = gain_crossing(responses, row)
        if at is not None:
            chart.line((at, at), (-180, margin - 180), "two gauge")
            chart.dot(at, margin - 180, "two-dot")
            words = f"{decimal(margin)}°"
            chart.note(at, margin / 2 - 180, words, anchor="end", dx=-6, dy=4)
        key.append(("two", f"least phase margin ({named.letter(loop.worst['phase_margin_deg'])})"))
    chart.key(*key)
    alt = (
        f"Open-loop phase over frequency at {len(phase)} corners; least phase margin "
        f"{quantity(_margins(loop)[1], 'degrees')}"
    )
    caption = "The bar is the least phase margin, at which that corner's gain passes 0 dB."
    if isinstance(loop, MovingFigures):
        caption = (
            "Averaged over the sine's phases, with a least phase margin of "
            f"{quantity(loop.averaged_phase_margin_deg, '°')}; the periodic loop has "
            f"{quantity(loop.phase_margin_deg, '°')}."
        )
    if not loop.stable:
        caption = UNSTABLE
    return Figure("Open loop: phase", alt, caption, chart.svg(alt))


def _margins(loop: LoopFigures) -> tuple[float | None, float | None]:
    """Gain margin, dB, and phase margin, degrees, of the curves: those of a loop of blocks are of
    its average over the sine's phases."""
    if isinstance(loop, MovingFigures):
        return loop.averaged_gain_margin_db, loop.averaged_phase_margin_deg
    return loop.gain_margin_db, loop.phase_margin_deg


def _drawn(design: Design, margin: str) -> int | None:
    """The row on whose curve a margin is marked; none for a window of blocks, whose margins are of
    the periodic loop and not of the curves, which are of its average."""
    if isinstance(design.loop, MovingFigures):
        return None
    return row_of(design, design.loop.worst.get(margin))


def nyquist_figure(design: Design, named: Corners, responses: Curves) -> Figure:
    """The open loop in the complex plane, with the circle that Ms keeps clear of -1."""
    loop = design.loop
    # The same scale both ways, so that circles are round.
    chart = Chart(Axis(-1.5, 0.8, "real part"), Axis(-1.35, 0.65, "imaginary part"), height=307)
    turn = np.linspace(0, 2 * math.pi, 97)
    chart.line(np.cos(turn).tolist(), np.sin(turn).tolist(), "faint")
    chart.lines([(row.real.tolist(), row.imag.tolist()) for row in responses.loop], "all")
    key = [("all", f"{len(responses.loop)} corners")]
    row = row_of(design, loop.worst.get("peak_sensitivity"))
    if row is not None and loop.peak_sensitivity is not None:
        near = 1 / loop.peak_sensitivity
        worst = responses.loop[row]
        chart.line((-1 + near * np.cos(turn)).tolist(), (near * np.sin(turn)).tolist(), "limit")
        chart.line(worst.real.tolist(), worst.imag.tolist(), "one")
        key.append(("one", f"nearest to −1 ({named.letter(loop.worst['peak_sensitivity'])})"))
        chart.note(-1.0, -near, f"1/Ms = {decimal(near)}", anchor="middle", dy=13)
    gain_row = _drawn(design, "gain_margin_db")
    if gain_row is not None and loop.gain_margin_db is not None:
        reach = -(10 ** (-loop.gain_margin_db / 20))
        chart.dot(reach, 0.0, "one-dot")
        chart.note(reach, 0.0, f"1/{decimal(-1 / reach)}", anchor="middle", dy=-7)
    phase_row = _drawn(design, "phase_margin_deg")
    if phase_row is not None and loop.phase_margin_deg is not None:
        angle = math.radians(loop.phase_margin_deg - 180)
        chart.dot(math.cos(angle), math.sin(angle), "two-dot")
        chart.note(
            math.cos(angle),
            math.sin(angle),
            f"{decimal(loop.phase_margin_deg)}°",
            anchor="end",
            dx=-7,
            dy=10,
        )
        arc = np.linspace(-math.pi, angle, 25)
        chart.line(np.cos(arc).tolist(), np.sin(arc).tolist(), "two gauge")
    chart.level(0.0, "frame")
    chart.dot(-1.0, 0.0, "ink-dot")
    chart.note(-1.0, 0.0, "−1", anchor="middle", dy=-7)
    chart.key(*key)
    alt = (
        f"Nyquist curves at {len(responses.loop)} corners; peak sensitivity "
        f"{decimal(loop.peak_sensitivity)}, so no curve comes nearer to minus one than "
        f"{decimal(None if loop.peak_sensitivity is None else 1 / loop.peak_sensitivity)}"
    )
    caption = "No corner's curve enters the dashed circle about −1. " + (
        "On the real axis: what the gain may still be multiplied by; on the unit circle: the least "
        "phase margin."
        if design.window.blocks == 1
        else "The curves are averaged over the sine's phases; margins read off them would be "
        "unsafe, so none are marked."
    )
    if not loop.stable:
        caption = UNSTABLE
    return Figure("Nyquist curves", alt, caption, chart.svg(alt))
