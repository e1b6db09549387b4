"""The pictures of the documentation, drawn from the code.

``python tests/accept.py pictures`` draws them anew."""

from __future__ import annotations

import io
import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np

from documentation.pages import DOCS

PICTURES = DOCS / "pictures"
ACCEPT = "python tests/accept.py pictures"

BLUE, ORANGE, GREY, INK = "#1f5fa8", "#c65a11", "#9a9a9a", "#222222"
WINDOWS = 18
"""Windows that step responses are drawn for."""
SETTINGS = {
    "svg.hashsalt": "halfcycle",
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": INK,
    "figure.facecolor": "white",
    "lines.linewidth": 1.6,
}


def window() -> Any:
    """One window: the samples of a rectified sine, their mean, and the update after the last."""
    samples, half_cycles = 25, 2
    figure, axes = _figure(3.0)
    x = np.linspace(0, half_cycles, 400)
    k = (np.arange(samples) + 0.5) * half_cycles / samples
    axes.plot(x * 10, np.abs(np.sin(np.pi * x)), color=GREY)
    axes.plot(k * 10, np.abs(np.sin(np.pi * k)), "o", color=BLUE, markersize=4, clip_on=False)
    axes.axhline(2 / math.pi, color=ORANGE, linestyle="--")
    axes.text(20.2, 2 / math.pi + 0.03, "mean", color=ORANGE)
    axes.annotate(
        "window complete:\none PI update",
        (19.6, np.abs(np.sin(np.pi * k[-1]))),
        (20.2, 0.14),
        color=INK,
        arrowprops={"arrowstyle": "->", "color": INK},
        va="center",
    )
    axes.set(xlim=(0, 25.5), ylim=(0, 1.05), xlabel="time, ms", ylabel="rectified, of peak")
    axes.set_xticks([0, 5, 10, 15, 20])
    axes.set_title("50 Hz, 800 us: 25 samples hold two half cycles", loc="left")
    return figure


def odd_window() -> Any:
    """A zero offset in windows of three and of six half cycles."""
    from halfcycle.windows import reading_errors  # noqa: PLC0415
    from halfcycle.windows.search import Window  # noqa: PLC0415

    offset = 0.1
    figure, (axes, below) = _figure(4.6, rows=2)
    period, f = Fraction(1, 1000), Fraction(60)
    t = np.linspace(0, 100, 1200)
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.plot(t, np.abs(np.sin(2 * np.pi * 0.06 * t) + offset), color=BLUE)
    for start in range(0, 101, 25):
        axes.axvline(start, color=GREY, linewidth=0.8)
    axes.set(xlim=(0, 100), ylim=(0, 1.25), ylabel="rectified, of peak")
    axes.set_title("60 Hz, 1 ms: a zero that is off by a tenth of the peak", loc="left")
    for half_cycles, samples, colour in ((3, 25, ORANGE), (6, 50, BLUE)):
        n = 100 // samples
        wave = np.abs(np.sin(2 * np.pi * 0.06 * (np.arange(100) + 0.5)) + offset)
        mean = wave.reshape(n, samples).mean(axis=1)
        error = 100 * (mean / (2 / math.pi) - 1)
        below.stairs(
            error,
            np.arange(n + 1) * samples,
            baseline=None,
            color=colour,
            linewidth=2,
            label=f"window of {half_cycles} half cycles",
        )
        worst = reading_errors.alternation(Window(half_cycles, samples, f, period), offset, "mean")
        assert worst > 0.01 or half_cycles == 6
    below.axhline(0, color=INK, linewidth=0.6)
    below.set(xlim=(0, 100), xlabel="time, ms", ylabel="mean off by, %")
    below.set_ylim(-12, 12)
    below.legend(loc="lower right", ncols=2, frameon=False)
    return figure


def clipped_sine() -> Any:
    """Wave and harmonics of a sine driven to 1.2 times the bus."""
    from halfcycle.base import clipped_sine  # noqa: PLC0415

    drive = 1.2
    figure, (axes, lines) = _figure(3.2, columns=2, widths=(3, 2))
    x = np.linspace(0, 1, 1025)
    wave = np.clip(drive * np.sin(2 * np.pi * x), -1, 1)
    first = clipped_sine.fundamental(drive)
    axes.plot(x, drive * np.sin(2 * np.pi * x), color=GREY, linestyle=":", label="asked for")
    axes.plot(x, first * np.sin(2 * np.pi * x), color=BLUE, linestyle="--", label="fundamental")
    axes.plot(x, wave, color=ORANGE, label="at the bridge")
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.set(xlim=(0, 1), ylim=(-1.7, 1.5), xlabel="turns", ylabel="of the bus")
    axes.set_title("Drive 1.2", loc="left")
    axes.legend(loc="lower left", frameon=False, fontsize=9)
    harmonics = np.abs(np.fft.rfft(wave[:-1])) * 2 / 1024 / first * 100
    shown = np.arange(3, 16, 2)
    lines.bar(shown, harmonics[shown], color=ORANGE, width=1.0)
    lines.set(xlabel="harmonic", ylabel="% of the fundamental", xticks=shown)
    lines.set_title(f"Distortion {100 * clipped_sine.thd(drive):.2f} %", loc="left")
    return figure


def _readings(made: Any, board: str) -> Any:
    """Readings, shares of rated, 0 first, of a board inside the tolerances, whose output is what
    settles last: at the phase at which the reading is the lowest in the end."""
    from halfcycle.loop import corner_plants as plants  # noqa: PLC0415
    from halfcycle.loop.corner_filters import resonance_line, ringing_loads  # noqa: PLC0415
    from halfcycle.loop.envelope import weights_over_phases  # noqa: PLC0415
    from halfcycle.loop.filter_model import modes  # noqa: PLC0415
    from halfcycle.loop.plant import window_timing  # noqa: PLC0415
    from halfcycle.loop.step_response import step_response as response  # noqa: PLC0415

    spec, timing = made.spec, window_timing(made.spec, made.window)
    bus, sensor, circuit = next(
        (bus, sensor, circuit)
        for bus in plants.buses(spec)
        for sensor in plants.sensor_gains(spec)
        for circuit in resonance_line(spec, ringing_loads(spec)[0], timing)
        if plants.board_label(spec, circuit, bus, sensor) == board
    )
    own = modes([circuit], timing.angular)
    weights = weights_over_phases(own, timing, 24)
    bank = plants.FilterBank([circuit], own, weights, inside=True)
    phases = [plants.Board(0, at, bus, sensor) for at in range(weights.weights.shape[1])]
    of = plants.plants_of(spec, timing, bank, phases)
    y = response(of.step_taps, float(made.kp), float(made.ki), WINDOWS, of.scale_curve())
    settled = int(made.loop.settling_ms / made.window.duration_ms)
    return np.concatenate([[0.0], y[:, y[settled - 1].argmin()]])


def step_response() -> Any:
    """The cabin's step responses at every corner, and the worst boards by its figures."""
    from halfcycle.design.designer import design  # noqa: PLC0415
    from halfcycle.loop.step_response import step_response as response  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    made = design(load_spec(DOCS / "examples" / "peat_cabin.toml"))
    y = response(
        made.plants.step_taps, float(made.kp), float(made.ki), WINDOWS, made.plants.scale_curve()
    )
    rated = float(made.spec.output.rated_rms_v)
    volts = rated * np.vstack([np.zeros((1, y.shape[1])), y])
    t = made.window.duration_ms * np.arange(WINDOWS + 1)
    figure, axes = _figure(3.4)
    axes.fill_between(t, volts.min(axis=1), volts.max(axis=1), step="pre", color=BLUE, alpha=0.25)
    label = [corner.label for corner in made.plants.corners]
    for figure_, colour, words in (
        ("overshoot_percent", BLUE, "board of most overshoot"),
        ("settling_ms", ORANGE, "board that settles last"),
    ):
        worst = made.loop.worst[figure_]
        drawn = volts[:, label.index(worst)] if worst in label else rated * _readings(made, worst)
        axes.step(t, drawn, color=colour, label=words)
    axes.axhspan(0.98 * rated, 1.02 * rated, color=GREY, alpha=0.35, linewidth=0)
    settles = made.loop.settling_ms
    assert settles is not None
    axes.axvline(settles, color=INK, linestyle=":", linewidth=1)
    axes.text(settles + 4, 0.5 * rated, f"settled within 2 %\non every board: {settles:.4g} ms")
    axes.set(xlim=(0, t[-1]), ylim=(0, 1.1 * rated), xlabel="time, ms", ylabel="reading, V RMS")
    axes.set_title(f"From zero to {rated:g} V: {len(y[0])} corners of the tolerances", loc="left")
    axes.legend(loc="lower left", bbox_to_anchor=(0.3, 0.02), frameon=False)
    return figure


def window_answers() -> Any:
    """How much windows at 60 Hz and 1 ms let through of each frequency."""
    from halfcycle.windows.weights import magnitude  # noqa: PLC0415

    figure, axes = _figure(3.2)
    hertz = np.linspace(0, 250, 501)
    shown = (
        ("25 samples, flat", (1,) * 25, GREY),
        ("9 samples, zeros at 2f and 4f", (21, 27, 31, 31, 27, 31, 31, 27, 21), ORANGE),
        (
            "17 samples, zeros at f, 2f and 4f",
            (26, 28, 29, 29, 29, 30, 31, 29, 27, 29, 31, 30, 29, 29, 29, 28, 26),
            BLUE,
        ),
    )
    for label, weights, colour in shown:
        size = [magnitude(weights, 1, Fraction(float(v)) / 1000) for v in hertz]
        axes.plot(hertz, size, color=colour, label=label)
    for multiple in (1, 2, 4):
        axes.axvline(60 * multiple, color=INK, linewidth=0.6, linestyle=":")
        axes.text(60 * multiple + 2, 0.93, "f" if multiple == 1 else f"{multiple}f", color=INK)
    axes.set(xlim=(0, 250), ylim=(0, 1), xlabel="frequency, Hz", ylabel="answer of the window")
    axes.set_title("60 Hz, 1 ms: what windows let through", loc="left")
    axes.legend(loc="upper right", frameon=False, bbox_to_anchor=(0.97, 0.9))
    return figure


def drive_images() -> Any:
    """A filter's output with a duty held for a loop period, and with one of every 50 us."""
    from scipy.linalg import expm  # noqa: PLC0415

    from halfcycle.design.drive_rate import true_rms_errors  # noqa: PLC0415
    from halfcycle.loop.corner_filters import corner_filters  # noqa: PLC0415
    from halfcycle.loop.filter_model import state_matrices  # noqa: PLC0415
    from halfcycle.spec.load import load_spec  # noqa: PLC0415

    spec = load_spec(DOCS / "examples" / "ferry_galley.toml")
    rates = (spec.output.frequency_hz, spec.loop.period_us / 10**6, spec.loop.period_us / 10**6)
    errors = true_rms_errors(corner_filters(spec), *rates)[:, 0]
    circuit = corner_filters(spec)[int(np.argmax(errors))]
    (a,), (b,), (c,) = state_matrices([circuit])
    period, fine = float(spec.loop.period_us) / 1e6, 40
    f = float(spec.output.frequency_hz)
    figure, axes = _figure(3.2)
    for calls, colour, label in ((fine // 2, GREY, "20 calls"), (1, ORANGE, "one call")):
        held, steps = period / calls, fine // calls
        whole = np.zeros((4, 4))
        whole[:3, :3], whole[:3, 3] = a, b
        once, small = expm(whole * held), expm(whole * held / steps)
        turn = np.exp(2j * np.pi * f * held)
        state = np.linalg.solve(turn * np.eye(3) - once[:3, :3], once[:3, 3].astype(complex))
        wave, duty = [], 1.0 + 0j
        for _ in range(round(2 / f / held)):
            for _ in range(steps):
                wave.append(c @ state)
                state = small[:3, :3] @ state + small[:3, 3] * duty
            duty *= turn
        v = np.array(wave)
        v = (v / abs(v[0])).imag
        axes.plot(1000 * period / fine * np.arange(len(v)), v, color=colour, label=label)
    axes.plot(1000 * period * np.arange(len(v) // fine), v[::fine], "o", color=BLUE, markersize=4)
    axes.axhline(0, color=INK, linewidth=0.6)
    axes.set(xlim=(0, 2000 / f), xlabel="time, ms", ylabel="output, of the samples' peak")
    title = (
        f"One call a loop period: samples on a sine, true RMS off by {100 * errors.max():+.0f} %"
    )
    axes.set_title(title, loc="left")
    axes.legend(loc="upper right", frameon=False, ncols=2, title="in a loop period")
    axes.set_ylim(-2.6, 4)
    return figure


FIGURES: dict[str, Callable[[], Any]] = {
    "window.svg": window,
    "odd_window.svg": odd_window,
    "window_answers.svg": window_answers,
    "clipped_sine.svg": clipped_sine,
    "drive_images.svg": drive_images,
    "step_response.svg": step_response,
}


def _figure(
    height: float, rows: int = 1, columns: int = 1, widths: tuple[int, ...] | None = None
) -> Any:
    import matplotlib.pyplot as plt  # noqa: PLC0415

    return plt.subplots(
        rows,
        columns,
        figsize=(7, height),
        layout="constrained",
        gridspec_kw={"width_ratios": widths} if widths else None,
    )


def draw(name: str) -> str:
    """The SVG of one picture; the same bytes with the same version of matplotlib."""
    import matplotlib as mpl  # noqa: PLC0415

    mpl.use("Agg")
    import matplotlib.pyplot as plt  # noqa: PLC0415

    with mpl.rc_context(SETTINGS):
        figure = FIGURES[name]()
        stream = io.StringIO()
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
        plt.close(figure)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()) + "\n"


def accept() -> None:
    """Draw every picture anew."""
    PICTURES.mkdir(exist_ok=True)
    for name in FIGURES:
        (PICTURES / name).write_text(draw(name))
        print(f"drew {name}")
