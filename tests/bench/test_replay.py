"""Replaying a capture: against sines and squares whose figures are known, and a real record.

Sources beside each check. The waveforms are written here, the code under test only reads them.
"""

from __future__ import annotations

import functools
import json
import math
import shutil
from fractions import Fraction as F
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from halfcycle.base.errors import InputError
from halfcycle.bench.capture import Capture, read_capture, tidy
from halfcycle.bench.capture_types import Raw, Section
from halfcycle.bench.replay import Replay, replay
from halfcycle.bench.replay_findings import advise
from halfcycle.bench.resample import at_instants, choose
from halfcycle.bench.waveform import analyse, true_rms
from halfcycle.cli import cli
from halfcycle.generate.pipeline import IntegerDesign, design_integers
from halfcycle.spec.edit import edit_text
from halfcycle.spec.load import parse_spec
from halfcycle.windows.search import Window
from halfcycle.windows.weights import ZeroSet, shaped_weights
from support.command import CommandLine, run_halfcycle
from support.paths import EXAMPLES, RECORDS, ROOT
from support.plan_cases import BLOCKS, of_blocks, render

RECORD = RECORDS / "sample_ascii.cfg"
BASE = (ROOT / "docs" / "examples" / "peat_cabin.toml").read_text("utf-8")
COMPILER = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")


@functools.cache
def made(**changes: object) -> IntegerDesign:
    values = {key.replace("__", "."): value for key, value in changes.items()}
    return design_integers(parse_spec(edit_text(BASE, values), "x"))  # type: ignore[arg-type]


def capture(volts: object, step: float = 2e-5, length: float = 0.5) -> Capture:
    time = np.arange(round(length / step)) * step
    return tidy(Raw(time, np.asarray(volts(time)), "CH1", ()), Path("c.csv"))  # type: ignore[operator]


def sine(rms: float = 230.0, hz: float = 50.0, zero: float = 0.0, phase: float = 0.3) -> object:
    return lambda t: zero + math.sqrt(2) * rms * np.sin(2 * math.pi * hz * t + phase)


def square(volts: float) -> object:
    return lambda t: np.where(np.sin(2 * math.pi * 50 * t + 0.3) >= 0, volts, -volts)


def triangle(peak: float) -> object:
    return lambda t: peak * 2 / math.pi * np.arcsin(np.sin(2 * math.pi * 50 * t + 0.3))


def run(design: IntegerDesign, given: Capture, use_model: bool = True) -> Replay:
    return advise(replay(design, given, "c.csv", use_model), design)


def said(found: Replay, key: str) -> str:
    return " ".join(f"{f.level}: {f.text}" for f in found.findings if f.key == key)


def test_a_sine_reads_true() -> None:
    found = run(made(), capture(sine()))
    assert len(found.start_s) == 25
    assert found.true_rms_v == pytest.approx(np.full(25, 230.0), rel=1e-4)
    # The mean over 25 points a half cycle strays by (pi/50)/sin(pi/50) - 1 = 0.066 % at most
    # (closed form), half of it taken out; the reading's step adds its half, 0.08 V.
    assert np.abs(found.reported_rms_v - 230).max() < 0.35
    assert "keep it" in said(found, "loop.measure")


@pytest.mark.parametrize(
    ("wave", "error"),
    [
        # Average-responding meters, instrument makers' tables (from memory): +11.07 % on a square
        # wave, -3.81 % on a triangle.
        (square(230), 0.1107),
        (triangle(230 * math.sqrt(3)), -0.0381),
    ],
)
def test_average_reading_of_other_shapes(wave: object, error: float) -> None:
    by_mean = run(made(sensor__volts_per_code=F("0.3")), capture(wave))
    assert by_mean.reported_rms_v == pytest.approx(230 * (1 + error), rel=0.003)
    assert 'measure = "rms"' in said(by_mean, "loop.measure")
    by_rms = run(made(sensor__volts_per_code=F("0.3"), loop__measure="rms"), capture(wave))
    assert by_rms.reported_rms_v == pytest.approx(230, rel=0.003)


def test_form_factors() -> None:
    """Sine pi/(2 sqrt 2), square 1, triangle 2/sqrt 3; crests sqrt 2, 1, sqrt 3 (textbooks)."""
    for wave, form, crest in (
        (sine(), math.pi / (2 * math.sqrt(2)), math.sqrt(2)),
        (square(325), 1.0, 1.0),
        (triangle(398), 2 / math.sqrt(3), math.sqrt(3)),
    ):
        figures = analyse(capture(wave), 50)
        assert figures is not None
        assert figures.form_factor == pytest.approx(form, rel=1e-3)
        # The sample nearest a triangle's tip may be half a step of 20 us from it.
        assert figures.crest_factor == pytest.approx(crest, rel=3e-3)


def test_square_harmonics() -> None:
    """Fourier series of a square wave: 1/k for odd k, fundamental 4/pi; textbook."""
    figures = analyse(capture(square(325), step=1e-5), 50)
    assert figures is not None
    assert figures.harmonics[0].rms_v == pytest.approx(325 * 4 / math.pi / math.sqrt(2), rel=1e-3)
    for one in figures.harmonics:
        expected = 100 / one.order if one.order % 2 else 0
        assert one.percent == pytest.approx(expected, abs=0.15), one
    odd = sum(1 / k**2 for k in range(3, 26, 2))
    assert figures.thd_percent == pytest.approx(100 * math.sqrt(odd), rel=5e-3)


@pytest.mark.parametrize("hz", [16.67, 49.7, 50.0, 50.013, 60.0, 397.0])
@pytest.mark.parametrize("step", [2e-5, 1.7e-4])
def test_frequency_and_zero(hz: float, step: float) -> None:
    noise = np.random.default_rng(7)

    def wave(t: np.ndarray) -> np.ndarray:
        fifth = 8 * np.sin(5 * 2 * math.pi * hz * t)
        return sine(230, hz, 2.5)(t) + fifth + noise.normal(0, 1, len(t))  # type: ignore[operator]

    figures = analyse(capture(wave, step=step), 50)
    assert figures is not None
    # Cramer-Rao bound of a sine's frequency, 1 V of noise on 325 V (Rife & Boorstyn 1974, from
    # memory): sqrt(12) sigma / (pi A sqrt 2 T sqrt N), five of them.
    count = round(0.5 / step)
    bound = math.sqrt(24) / (2 * math.pi * 325 * 0.5 * math.sqrt(count))
    assert figures.frequency_hz == pytest.approx(hz, abs=5 * bound + 1e-9)
    assert figures.zero_v == pytest.approx(2.5, abs=5 / math.sqrt(count) + 1e-9)
    if step * hz * 5 < 0.4:
        assert figures.harmonics[4].percent == pytest.approx(100 * 8 / 325.27, abs=0.1)


def test_no_waveform_is_no_figure() -> None:
    assert analyse(capture(lambda t: 0 * t + 3), 50) is None
    assert analyse(capture(sine(), length=0.006), 50) is None


@pytest.mark.parametrize("volts", [0.0, 5.0, -311.0])
def test_a_capture_without_a_wave_is_no_error_of_the_sensor(volts: float) -> None:
    found = run(made(), capture(lambda t: np.full(len(t), volts)))
    assert "no whole cycle" in said(found, "output.frequency_hz")
    assert np.isfinite(found.reported_rms_v).all() and np.isfinite(found.true_rms_v).all()
    assert found.waveform is None
    if volts == 0.0:
        assert not found.reported_rms_v.any() and "no window" in said(found, "loop.measure")


def test_advice() -> None:
    off = run(made(), capture(sine(hz=50.6)))
    assert "50.6 Hz is 0.6 Hz off" in said(off, "output.frequency_hz")
    assert not said(run(made(), capture(sine())), "output.frequency_hz")
    shifted = run(made(), capture(sine(zero=4.4)))
    assert "+4.400 V, +20.00 codes, beyond" in said(shifted, "sensor.zero_code")
    assert "inside" in said(run(made(), capture(sine(zero=0.4))), "sensor.zero_code")
    over = run(made(), capture(sine(rms=340)))
    assert over.clipped_samples > 100
    assert "beyond the ADC's range" in said(over, "sensor.volts_per_code")
    assert "probe's ratio" in said(run(made(), capture(sine(rms=2.3))), "capture level")
    assert "record faster" in said(run(made(), capture(sine(), step=2e-3)), "capture step")


def test_a_perfect_zero_is_shown_as_zero() -> None:
    """Bug: the fit's rounding error was shown as the waveform's zero, "-1.1e-09 V"."""
    for phase in (0.0, 0.3, 2.0, 4.0):
        shown = said(run(made(), capture(sine(phase=phase))), "sensor.zero_code")
        assert "mean is +0.000 V, +0.00 codes, inside" in shown


def test_an_odd_window_flips_with_the_zero() -> None:
    odd = made(loop__half_cycles=1, loop__period_us=400, targets__voltage_tolerance_percent=5)
    found = run(odd, capture(sine(zero=6.5, phase=0.0)))
    # The mean of |A sin + z| over a half cycle from its start is A 2/pi +- z (integral, exact), and
    # the reading is that times pi/(2 sqrt 2).
    flip = np.abs(np.diff(found.reported_rms_v)).mean() / 2
    assert flip == pytest.approx(6.5 * math.pi / (2 * math.sqrt(2)), rel=0.05)
    assert f"flips by +-{flip:.3g} V" in said(found, "loop.half_cycles")


def test_gaps_restart_the_window() -> None:
    time = np.arange(25000) * 2e-5
    keep = (time < 0.1051) | (time > 0.2)
    volts = sine()(time)  # type: ignore[operator]
    given = tidy(Raw(time[keep], volts[keep], "CH1", ()), Path("c.csv"))
    found = run(made(), given)
    assert len(found.start_s) == 5 + 14  # 105.1 ms and 299.98 ms in windows of 20 ms
    assert found.start_s[5] == pytest.approx(0.20002, abs=1e-9)
    assert np.abs(found.reported_rms_v - 230).max() < 0.35
    with pytest.raises(InputError, match="shorter than the window, 20 ms"):
        run(made(), capture(sine(), length=0.015))


@pytest.mark.parametrize("points", [8, 20, 50, 300, 2000])
def test_resampling_stays_within_its_bound(points: int) -> None:
    given = capture(sine(), step=0.02 / points, length=0.2)
    used = choose(given, 50)
    assert used.method == ("linear" if points > 223 else "cubic spline")
    instants = np.linspace(0.02, 0.15, 5001)
    error = at_instants(given, given.stretches[0], instants, used) - sine()(instants)  # type: ignore[operator]
    assert np.abs(error).max() <= 1.02 * used.bound_percent / 100 * 230 * math.sqrt(2) + 1e-9
    if points >= 20:
        actual = float(np.sqrt(np.mean(error**2)))
        # The estimate is of the worst places, midway between samples.
        assert 0.5 * actual < used.error_v < 3 * actual


def test_model_and_compiled_code_report_the_same() -> None:
    if COMPILER is None:
        pytest.skip("needs a C compiler")
    noise = np.random.default_rng(3)
    given = capture(lambda t: sine(hz=50.1)(t) * (1 + 0.3 * t) + noise.normal(0, 2, len(t)))  # type: ignore[operator]
    for design in (made(), made(loop__measure="rms", arithmetic__word_bits=16)):
        by_model, by_c = run(design, given), run(design, given, use_model=False)
        np.testing.assert_array_equal(by_model.reported_rms_v, by_c.reported_rms_v)
        assert by_c.measured_by == "compiled C"


def sixty(tmp_path: Path) -> Path:
    """A spec whose window is one cycle of the record: 20 points at 1200 Hz."""
    path = tmp_path / "hut.toml"
    changes = {
        "output.frequency_hz": 60,
        "output.rated_rms_v": F(20),
        "loop.period_us": F(2500, 3),
        "loop.measure": "rms",
        "loop.half_cycles": 2,
        "sensor.volts_per_code": F("0.02"),
        "bridge.bus_nominal_v": 35,
        "bridge.bus_min_v": 32,
        "bridge.bus_max_v": 38,
        "load.rated_va": F(7),
    }
    path.write_text(edit_text(BASE, changes))  # type: ignore[arg-type]
    return path


def test_a_real_record(tmp_path: Path) -> None:
    """Per-cycle RMS of IA in the sample record of the ``comtrade`` reader: 19.5835, 17.6739."""
    given = read_capture(RECORD, "IA")
    edges = np.array([0, 1, 2]) / 60
    assert true_rms(given, edges[:-1], edges[1:]) == pytest.approx([19.5835, 17.6739], abs=5e-5)
    design = design_integers(parse_spec(sixty(tmp_path).read_text(), "x"))
    assert (design.design.window.half_cycles, design.design.window.samples) == (2, 20)
    found = run(design, given)
    assert found.true_rms_v == pytest.approx([19.5835, 17.6739], abs=5e-5)
    # The instants are the record's own; what is left is rounding to codes of 0.02 A and the
    # reading's step.
    step = design.quantised.reading_step_v
    assert np.abs(found.reported_rms_v - found.true_rms_v).max() <= 0.01 + step


def test_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = CommandLine(monkeypatch, capsys)
    spec = sixty(tmp_path)
    ran = run("replay", str(spec), str(RECORD), "--channel", "IA", "--model", "--json")
    assert ran.code == 0, ran.err
    result = json.loads(ran.out)
    assert [list(row) for row in result["windows"]] == 2 * [
        ["start_s", "true_rms_v", "reported_rms_v"]
    ]
    assert result["windows"][0]["true_rms_v"] == pytest.approx(19.5835, abs=5e-5)
    assert result["windows"][1]["start_s"] == pytest.approx(1 / 60)
    assert result["measured_by"] == "model"
    shown = run("replay", str(spec), str(RECORD), "--channel", "ia", "--model")
    assert "19.584" in shown.out and "17.674" in shown.out
    assert "its numbers are taken as volts" in shown.err
    bad = run("replay", str(spec), str(RECORD), "--channel", "VA")
    assert (bad.code, bad.out) == (2, "")
    assert bad.err.count("\n") == 1 and "there are: IA, IB, IC, 3I0" in bad.err
    assert " --channel: " in bad.err, "a fault is named by the option that it came from"
    empty = run("replay", str(spec), str(RECORD), "--channel", "IA", "--from-s", "9", "--model")
    assert empty.code == 2 and " --from-s, --to-s: " in empty.err
    chosen = run("replay", str(spec), str(RECORD), "--model")
    assert chosen.code == 2 and " --channel: no analog channel in volts" in chosen.err
    # Bug: 1e308 printed a warning of numpy's.
    for factor in ("nan", "1e308", "1e-308", "0"):
        refused = run("replay", str(spec), str(RECORD), "--multiply", factor)
        multiply, channel = refused.err.splitlines()
        assert refused.code == 2 and " --multiply: is " in multiply and " --channel: " in channel


def test_without_a_compiler_the_model_is_offered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from halfcycle.base.errors import ToolMissingError  # noqa: PLC0415

    monkeypatch.setenv("CC", "no-such-compiler-here")
    words = ["replay", str(sixty(tmp_path)), str(RECORD), "--channel", "IA"]
    with pytest.raises(ToolMissingError, match="or run the Python model: --model"):
        cli.main(words, standalone_mode=False)
    cli.main([*words, "--model", "--json"], standalone_mode=False)


def test_section_reaches_the_windows(tmp_path: Path) -> None:
    given = read_capture(RECORD, "IA", Section(1 / 60 - 1e-6, 1.0, 2.0))
    found = run(design_integers(parse_spec(sixty(tmp_path).read_text(), "x")), given)
    assert found.true_rms_v == pytest.approx([2 * 17.6739], abs=2e-4)


def timed(
    tmp_path: Path, title: str, factor: float, step_s: float = 5e-5, rows: int = 4000
) -> Path:
    """A sine of 50 Hz whose time column is in seconds times ``factor``."""
    path = tmp_path / "timed.csv"
    lines = (
        f"{factor * step_s * at:.9g},{325 * math.sin(100 * math.pi * step_s * at):.6g}"
        for at in range(rows)
    )
    path.write_text(f"{title},V\n" + "\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize(
    ("unit", "factor", "step_s"),
    [("us", 1e6, 5e-5), ("ms", 1e3, 5e-5), ("ms", 1e3, 2e-6), ("ns", 1e9, 5e-5)],
)
def test_a_time_column_without_its_unit_is_refused_and_the_unit_named(
    tmp_path: Path, unit: str, factor: float, step_s: float
) -> None:
    """Taken as seconds, such a record lasted for hours, and all of them were resampled. A step
    of 2 us in ms leaves enough points a cycle to look right."""
    rows = round(0.1 / step_s)
    given = read_capture(timed(tmp_path, "t", factor, step_s, rows))
    with pytest.raises(InputError, match=rf"is it in {unit}\? then title .*: Time \({unit}\)"):
        replay(made(), given, "c.csv", use_model=True)
    told = read_capture(timed(tmp_path, f"Time ({unit})", factor, step_s, rows))
    assert run(made(), told).true_rms_v == pytest.approx(325 / math.sqrt(2), rel=1e-3)


def test_rows_far_apart_are_refused_before_they_are_resampled(tmp_path: Path) -> None:
    """3,000 rows 1,000 s apart took 3.8 GB."""
    path = tmp_path / "far.csv"
    volts = 325 * np.sin(2 * math.pi * 0.35 * np.arange(3000))
    path.write_text("s,V\n" + "".join(f"{1000 * at},{v:.3f}\n" for at, v in enumerate(volts)))
    ran = run_halfcycle("replay", str(EXAMPLES / "peat_cabin.toml"), str(path))
    assert (ran.code, ran.out, ran.err.count("\n")) == (2, "", 1)
    assert "samples in a cycle of 50 Hz" in ran.err


def test_a_record_without_end_is_refused_with_the_longest_section() -> None:
    """Four points a cycle for 2,500 s: each row is small, the loop's samples are too many."""
    time = np.arange(500_000) / 200
    volts = 325 * np.sin(2 * math.pi * 50 * time + 0.3)
    given = Capture("u", time, volts, 1 / 200, ((0, len(time)),), ())
    design = made(loop__period_us=F(100))
    with pytest.raises(InputError, match="choose one of up to 2000 s") as caught:
        replay(design, given, "c.csv", use_model=True)
    assert caught.value.faults[0].key == "section"


MOVING = {
    # Blocks, weights and length as a window of 25 samples at 800 us has them at 50 Hz; and 15
    # samples weighed so that a sine of 50 Hz reads true at any phase.
    "flat": (Window(2, 25, F(50), F(1, 1250), (1,) * 5, 5), BLOCKS["moving flat"]),
    "shaped": (
        Window(1, 15, F(50), F(1, 1250), shaped_weights(
            F(50), F(1, 1250), 15, 1, ZeroSet(), 6), 15),
        None,
    ),
}  # fmt: skip


def of_blocks_design(kind: str) -> tuple[IntegerDesign, Window]:
    """A hand-made Plan of blocks with the example's sensor, as a design whose window it has."""
    window, plan = MOVING[kind]
    if plan is None:
        plan = of_blocks(
            "rush_pump", window.block_weights, 6, measure="rms", samples=window.samples
        )
    base = made().design
    chosen = SimpleNamespace(
        spec=base.spec.model_copy(
            update={"loop": base.spec.loop.model_copy(update={"measure": plan.measure})}
        ),
        window=window,
        reading_centre=1.0,
    )
    quantised = SimpleNamespace(plan=plan)
    return (
        SimpleNamespace(design=chosen, quantised=quantised, texts=lambda: render(plan)),
        window,
    )  # type: ignore[return-value]


@pytest.mark.parametrize("kind", list(MOVING))
@pytest.mark.parametrize("use_model", [True, False])
def test_a_window_that_moves_has_a_row_for_each_update(kind: str, use_model: bool) -> None:
    """A sine of 230 V reads true from the first full window on, one row an update apart."""
    if not use_model and COMPILER is None:
        pytest.skip("no C compiler")
    integer_design, window = of_blocks_design(kind)
    result = replay(integer_design, capture(sine()), "c.csv", use_model)
    assert result.start_s[0] == pytest.approx(0, abs=1e-12)
    assert np.diff(result.start_s) == pytest.approx(float(window.update_s), abs=1e-9)
    count = int((0.5 - float(window.duration_s)) / float(window.update_s) + 1e-6) + 1
    assert len(result.start_s) == count
    assert result.true_rms_v == pytest.approx(230.0, abs=0.05)
    # Sampling moves the flat mean by 0.1 %; codes and the hand-made constants by less than 0.3 %.
    assert result.reported_rms_v == pytest.approx(230.0, rel=4e-3)
    exact = result.rms_based_v if kind == "shaped" else result.mean_based_v
    assert exact == pytest.approx(230.0, rel=2e-3)


def test_a_moving_window_is_the_same_however_many_steps_are_run_at_a_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The samples that windows share are carried from one run to the next."""
    integer_design, _ = of_blocks_design("flat")
    whole = replay(integer_design, capture(sine(zero=3.0)), "c.csv", True)
    monkeypatch.setattr("halfcycle.bench.replay.TICKS", 10)
    pieces = replay(integer_design, capture(sine(zero=3.0)), "c.csv", True)
    for name in ("start_s", "true_rms_v", "reported_rms_v", "mean_based_v", "rms_based_v"):
        assert getattr(pieces, name) == pytest.approx(getattr(whole, name), abs=1e-12), name


def test_the_picture_is_the_same_each_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    run = CommandLine(monkeypatch, capsys, "replay", sixty(tmp_path), RECORD, "--channel", "IA")
    picture = tmp_path / "a.svg"
    assert run("--model", "--plot", picture).code == 0
    first = picture.read_bytes()
    assert b"greatest error" in first and b"harmonics, THD" in first and b"% of rated" in first
    assert run("--model", "--plot", picture).code == 0
    assert picture.read_bytes() == first
    bad = run("--model", "--plot", tmp_path / "a.doc")
    assert bad.code == 2 and bad.err.count("\n") == 1 and " --plot: " in bad.err


def test_points_of_a_long_line_are_its_extremes() -> None:
    from halfcycle.bench.replay_plot import MAX_POINTS, thinned  # noqa: PLC0415

    time = np.arange(100_000.0)
    values = np.random.default_rng(0).normal(0, 1, len(time))
    values[54_321] = 9.0
    shown, kept = thinned(time, values)
    assert len(shown) <= MAX_POINTS and np.all(np.diff(shown) > 0)
    assert kept.max() == 9.0 and kept.min() == values.min()
    assert np.array_equal(kept, values[shown.astype(int)])
    assert thinned(time[:9], values[:9])[0] is not None
