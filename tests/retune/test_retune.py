"""retune: the response is kept, the constants come back, the spec keeps its comments."""

from __future__ import annotations

import json
import re
import struct
import tomllib
import xml.etree.ElementTree as ET
from fractions import Fraction as F
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from halfcycle.base.errors import InputError, RefusedError
from halfcycle.design.types import Design
from halfcycle.generate.pipeline import design_integers
from halfcycle.retune.comparison import departure, steps, worse_figures
from halfcycle.retune.plot import picture
from halfcycle.retune.retune import Retuned, continuous, retune
from halfcycle.spec.load import parse_spec
from support.command import CommandLine
from support.paths import EXAMPLES

PERIOD, FREQUENCY, SETTLING = "loop.period_us", "output.frequency_hz", "targets.settling_ms"


def example(name: str) -> str:
    return (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")


def plain(name: str, dc_percent: float = 0.02) -> str:
    """An example that has plain windows only: others are tried for long where those do not do."""
    text = example(name).replace("[loop]", '[loop]\nweighting = "flat"\nupdates_per_window = 1')
    return text.replace("[output]", f"[output]\ndc_percent = {dc_percent}")


def level(done: Retuned, key: str) -> str:
    return next(finding.level for finding in done.findings if finding.key == key)


@pytest.mark.parametrize(
    ("name", "period"),
    [
        pytest.param("apron_cart", F(25), marks=pytest.mark.long),
        pytest.param("loom_bench", F(125), marks=pytest.mark.long),
        pytest.param("ridge_relay", F(500), marks=pytest.mark.long),
        ("ferry_galley", F(500)),
        ("moor_signal", F(2000)),
        ("peat_cabin", F(400)),
        pytest.param("print_shop", F(75, 2), marks=pytest.mark.long),
        pytest.param("quay_kiosk", F(1000), marks=pytest.mark.long),
        ("weir_pump", F(800)),
    ],
)
def test_there_and_back_is_the_same_loop(name: str, period: F) -> None:
    """Own agreement: exact constants, so nothing is lost on the way, whatever the windows are."""
    text = example(name)
    there = retune(text, {PERIOD: period}, name)
    assert there.good and there.after is not None
    assert continuous(there.after) == continuous(there.before)
    back = retune(there.text, {PERIOD: there.before.design.spec.loop.period_us}, name)
    assert back.good and back.after is not None
    assert continuous(back.after) == continuous(there.before)
    old, new = there.before.design, back.after.design
    assert (new.window, new.kp, new.ki) == (old.window, old.kp, old.ki)
    # The integers that reach the C are the same too.
    assert back.after.quantised.plan == there.before.quantised.plan


@pytest.mark.long
def test_a_moving_window_is_kept_if_it_misses_by_little() -> None:
    """The response at the nearest window of the kind is shown, not that of a plain window, which
    misses by far. 200 us: no 8 updates divide 100 samples, so that the next are taken."""
    done = retune(example("loom_bench"), {PERIOD: F(200)}, "x")
    assert not done.good and done.after is not None
    old, new = done.before.design, done.after.design
    assert old.window.kind == new.window.kind == "moving flat"
    assert old.window.duration_s == new.window.duration_s and new.window.updates == 10
    assert old.ki / old.window.update_s == new.ki / new.window.update_s
    assert new.loop.settling_ms is not None and new.loop.settling_ms < 50


@pytest.mark.long
def test_a_count_of_samples_in_the_spec_goes_with_the_period() -> None:
    """It was kept as a number: a window of half the time at half the period."""
    text = example("ridge_relay").replace("[loop]", "[loop]\nsamples = 15")
    done = retune(text, {PERIOD: F(500)}, "x")
    assert done.after is not None and done.values["loop.samples"] == 30
    assert done.after.design.window.duration_s == done.before.design.window.duration_s


FAST = """
name = "lamp_room"
[output]
frequency_hz = 500
rated_rms_v = 120
[loop]
period_us = 50
measure = "rms"
[sensor]
adc_bits = 12
zero_code = 2048
volts_per_code = 0.11
zero_tolerance_codes = 0
gain_tolerance_percent = 0
[bridge]
bus_nominal_v = 200
bus_min_v = 190
bus_max_v = 210
pwm_counts = 2000
[filter]
inductance_uh = 100
winding_resistance_ohm = 0.2
capacitance_uf = 6
[load]
rated_va = 400
lightest_percent = 20
[targets]
settling_ms = 800
"""


def test_from_1_ms_to_25_ms_the_integral_constant_is_25_times() -> None:
    """Common practice, no source: the per-window integral constant goes with the window's length,
    so one that worked once a millisecond works every 25 ms at 25 times."""
    done = retune(FAST, {PERIOD: F(25000, 101)})
    assert done.good and done.after is not None
    old, new = done.before.design, done.after.design
    assert (old.window.duration_s, new.window.duration_s) == (F(1, 1000), F(25, 1000))
    assert new.ki == 25 * old.ki
    assert new.gains.integral_per_s == old.gains.integral_per_s


@pytest.mark.parametrize("form", ["backward", "forward", "trapezoidal"])
def test_per_window_constants_agree_with_scipy(form: str) -> None:
    """Source: scipy.signal.cont2discrete of kp + ki/s at the old and at the new window.

    C(z) = Kp + Ki z/(z - 1), so the numerator over z - 1 is (Kp + Ki) z - Kp.
    """
    text = plain("peat_cabin").replace("[sensor]", f'integration = "{form}"\n\n[sensor]')
    text += "\n[gains]\nproportional = 0.12\nintegral_per_s = 9\n"
    done = retune(text, {PERIOD: F(20000, 33)})
    assert done.after is not None
    scipy_name = {"backward": "backward_diff", "forward": "euler", "trapezoidal": "bilinear"}[form]
    for made in (done.before, done.after):
        length = float(made.design.window.duration_s)
        numerator, denominator, _ = signal.cont2discrete(
            ([0.12, 9.0], [1.0, 0.0]), length, scipy_name
        )
        kp, ki = float(made.design.kp), float(made.design.ki)
        assert np.allclose(denominator, [1, -1]) and np.allclose(numerator[0], [kp + ki, -kp])
    assert done.values == {PERIOD: F(20000, 33)}  # Given gains stay as they are.


def simulated(design: Design, row: int, until_ms: float) -> tuple[list[float], list[float]]:
    """One corner's step response by the plainest loop there is, written anew here."""
    taps = [design.plants.step_gains[row] * w for w in design.plants.weights[row]]
    curve = design.plants.scale_curve()
    kp, ki = float(design.kp), float(design.ki)
    integral, error, history = 0.0, 1.0, [0.0] * len(taps)
    times, readings = [0.0], [0.0]
    for window in range(1, round(until_ms / design.window.duration_ms) + 1):
        integral += ki * error
        scales = np.zeros(len(design.plants.gains))
        scales[row] = integral + kp * error
        effective = scales if curve is None else curve(scales)
        history = [float(effective[row]), *history[:-1]]
        reading = sum(t * u for t, u in zip(taps, history, strict=True))
        error = 1.0 - reading
        times.append(window * design.window.duration_ms)
        readings.append(reading)
    return times, readings


def test_departure_is_the_distance_of_the_responses() -> None:
    """Source: the loop written out plainly (``simulated``), on a fine grid of times."""
    done = retune(example("peat_cabin"), {PERIOD: F(600)})
    assert done.after is not None and done.departure_percent is not None
    grid = np.linspace(0.0, 350.0, 7001)
    edges = []
    for design in (done.before.design, done.after.design):
        rows = [simulated(design, row, 390.0) for row in range(len(design.plants.gains))]
        curves = np.array([np.interp(grid, *row) for row in rows])
        edges += [curves.min(axis=0), curves.max(axis=0)]
        assert np.allclose(steps(design, 390.0).lowest, np.min([y for _, y in rows], axis=0))
    expected = 100 * max(np.abs(edges[0] - edges[2]).max(), np.abs(edges[1] - edges[3]).max())
    assert done.departure_percent == pytest.approx(expected, rel=1e-3)


def test_says_when_the_response_cannot_be_kept_and_what_can_be_had() -> None:
    done = retune(plain("peat_cabin"), {PERIOD: F(1600)})
    assert not done.good and done.findings[0].level == "error"
    said = done.findings[0].text
    assert "overshoot from" in said and "designed anew" in said
    # The window of old, 20 ms, holds 12 samples of 5000/3 us, nearest to 1600: that was named,
    # but the output overshoots by 5 % there.
    assert "a loop period of 20000/13" in said
    anew = retune(plain("peat_cabin"), {PERIOD: F(1600)}, redesign=True)
    assert anew.good and anew.after is not None
    loop = anew.after.design.loop
    assert f"settling {loop.settling_ms:.6g} ms" in said
    assert loop.settling_ms is not None and loop.settling_ms <= 250
    near = retune(plain("peat_cabin"), {PERIOD: F(20000, 13)})
    assert near.after is not None
    assert near.after.design.window.duration_s == near.before.design.window.duration_s
    assert not worse_figures(near.before.design, near.after.design)


def test_a_period_with_no_whole_window_says_so() -> None:
    done = retune(plain("peat_cabin"), {PERIOD: F("799.7")})
    assert done.after is None and not done.good and done.departure_percent is None
    texts = [finding.text for finding in done.findings if finding.level == "error"]
    assert any("holds a whole number of half cycles" in text for text in texts)


def test_a_window_insisted_on_that_is_not_whole_is_a_fault() -> None:
    with pytest.raises(InputError, match=r"loop\.half_cycles"):
        retune(example("weir_pump"), {PERIOD: F(300)})


def test_redesign_drops_given_gains() -> None:
    done = retune(example("weir_pump"), {PERIOD: F(200)}, redesign=True)
    assert done.good and done.values == {PERIOD: F(200), "gains": None}
    assert parse_spec(done.text, "x").gains is None


def test_another_settling_time_stretches_given_gains_and_back() -> None:
    text = example("weir_pump")
    there = retune(text, {SETTLING: F(500)})
    old = continuous(there.before).integral_per_s
    target = there.before.design.spec.targets.settling_ms
    assert there.values["gains.integral_per_s"] == old * target / 500
    back = retune(there.text, {SETTLING: target})
    assert back.after is not None and continuous(back.after) == continuous(there.before)
    assert parse_spec(back.text, "x") == parse_spec(text, "x")


@pytest.mark.long
def test_a_settling_time_that_cannot_be_had_says_what_can() -> None:
    """Bug: given gains stretched to a settling time beyond reach were only called unstable."""
    text = plain("peat_cabin") + "\n[gains]\nproportional = 0\nintegral_per_s = 14.2\n"
    done = retune(text, {SETTLING: F(60)})
    first = done.findings[0]
    assert not done.good and (first.level, first.key) == ("error", SETTLING)
    with pytest.raises(RefusedError) as refused:
        design_integers(
            parse_spec(plain("peat_cabin").replace("settling_ms = 250", "settling_ms = 60"), "x")
        )
    best = next(one.text for one in refused.value.findings if one.level == "error")
    assert best in first.text and "the best, with" in best


def test_another_settling_time_designs_anew_without_gains() -> None:
    done = retune(example("peat_cabin"), {SETTLING: F(400)})
    assert done.good and done.after is not None and done.values == {SETTLING: F(400)}
    assert level(done, SETTLING) == "note"
    assert done.after.design.gains == design_integers(parse_spec(done.text, "x")).design.gains


def test_another_frequency() -> None:
    done = retune(example("quay_kiosk"), {FREQUENCY: F(60)})
    assert done.after is not None
    window = done.after.design.window
    assert window.frequency_hz == 60 and window.whole
    assert continuous(done.after) == continuous(done.before)


def test_nothing_asked_changes_nothing() -> None:
    done = retune(example("peat_cabin"), {PERIOD: F(800)})
    assert done.values == {} and done.text == example("peat_cabin")
    assert done.departure_percent == 0 and done.good


def test_what_is_shown_is_what_the_written_spec_gives() -> None:
    done = retune(example("moor_signal"), {PERIOD: F(2000)})
    assert done.after is not None
    assert design_integers(parse_spec(done.text, "x")).quantised == done.after.quantised


def test_an_unstable_loop_has_no_departure() -> None:
    text = example("peat_cabin") + "\n[gains]\nintegral_per_s = 200\n"
    wild = design_integers(parse_spec(text, "x")).design
    calm = design_integers(parse_spec(example("peat_cabin"), "x")).design
    assert departure(calm, wild) is None and worse_figures(calm, wild).startswith("unstable at ")


# The command.


@pytest.fixture
def tool(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys, "retune")


@pytest.fixture
def spec(tmp_path: Path) -> Path:
    path = tmp_path / "peat_cabin.toml"
    path.write_text(plain("peat_cabin", 1), encoding="utf-8")
    return path


def test_write_edits_the_affected_keys_only(tool, spec: Path) -> None:
    before = spec.read_text().splitlines()
    ran = tool(spec, "--period-us", "400", "--write", "--json")
    assert ran.code == 0
    answer = json.loads(ran.out)
    assert answer["written"] is True
    assert answer["changes"] == {
        "loop.period_us": "400",
        "gains.proportional": "0",
        "gains.integral_per_s": "14.15",
        "loop.half_cycles": 2,
    }
    after = spec.read_text().splitlines()
    gone = [line for line in before if line not in after]
    new = [line for line in after if line not in before]
    assert gone == ["period_us = 800"]
    assert [line for line in new if line] == [
        "period_us = 400",
        "half_cycles = 2",
        "[gains]",
        "proportional = 0",
        "integral_per_s = 14.15",
    ]
    kept = [line for line in after if line in before]
    while not kept[-1]:  # The line between the last table and [gains].
        kept.pop()
    assert kept == [line for line in before if line not in gone]
    assert list(spec.parent.iterdir()) == [spec]

    ran = tool(spec, "--period-us", "800", "--write", "--json")
    back = json.loads(ran.out)
    assert ran.code == 0 and back["after"]["gains"] == answer["before"]["gains"]
    assert back["after"]["window"] == answer["before"]["window"]
    data = tomllib.loads(spec.read_text())
    assert data["loop"]["period_us"] == 800 and data["gains"]["integral_per_s"] == 14.15


def test_json_has_both_designs(tool, spec: Path) -> None:
    ran = tool(spec, "--period-us", "400", "--json")
    answer = json.loads(ran.out)
    assert {"before", "after", "findings"} <= set(answer) and answer["written"] is False
    for side in ("before", "after"):
        keys = {"window", "gains", "loop", "signals", "dead_band_v", "findings"}
        assert keys <= set(answer[side])
    assert spec.read_text() == plain("peat_cabin", 1)


def test_table_is_80_columns_and_shows_both(tool, spec: Path) -> None:
    ran = tool(spec, "--period-us", "400")
    assert ran.code == 0
    assert max(map(len, ran.out.splitlines())) <= 80
    for word in ("before", "after", "14.15", "0.283", "800 us", "400 us", "not written"):
        assert word in ran.out, word


def test_a_broken_limit_writes_nothing(tool, spec: Path) -> None:
    ran = tool(spec, "--period-us", "1600", "--write")
    assert ran.code == 1 and "nothing was written" in ran.err
    assert spec.read_text() == plain("peat_cabin", 1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--settling-ms"),
        (["--period-us", "soon"], "--period-us"),
        (["--period-us", "0"], "(command line): --period-us: 0 is too low"),
        (["--period-us", "nan", "--settling-ms", "x"], "--settling-ms"),
        (
            ["--period-us", "400", "--plot", "steps.bmp"],
            "steps.bmp: --plot: not a picture's suffix",
        ),
    ],
)
def test_bad_input(tool, spec: Path, words: list[str], said: str) -> None:
    ran = tool(spec, *words)
    assert ran.code == 2 and said in ran.err and not ran.out
    assert all(line.startswith("error: ") for line in ran.err.splitlines())


def test_plot_is_a_picture(tool, spec: Path, tmp_path: Path) -> None:
    svg, png = tmp_path / "new" / "steps.svg", tmp_path / "steps.PNG"
    assert tool(spec, "--period-us", "400", "--plot", svg).code == 0
    words = " ".join(text.strip() for text in ET.parse(svg).getroot().itertext() if text.strip())
    for wanted in ("ms", "V RMS", "before: 800 us", "after: 400 us", "peat_cabin"):
        assert wanted in words, wanted
    first = svg.read_bytes()
    assert tool(spec, "--period-us", "400", "--plot", svg).code == 0
    assert svg.read_bytes() == first  # No clock in it.
    assert tool(spec, "--period-us", "400", "--plot", png).code == 0
    data = png.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and struct.unpack(">II", data[16:24]) == (1080, 690)


def test_plot_is_readable_without_colour() -> None:
    """Every ink is a grey: red, green and blue alike."""
    done = retune(example("peat_cabin"), {PERIOD: F(600)})
    assert done.after is not None
    drawn = picture(done.before.design, done.after.design, "svg").decode()
    inks = set(re.findall(r"#([0-9a-f]{6})", drawn))
    assert len(inks) > 3 and all(ink[:2] == ink[2:4] == ink[4:] for ink in inks), inks


def test_given_gains_go_with_the_shortest_window_at_which_they_meet_the_targets() -> None:
    """At 400 us windows of 10 ms settle in 250 ms and those of 20 ms in 240 ms (the figures of
    ``design``): the target decides."""
    text = plain("peat_cabin", 1).replace("period_us = 800", "period_us = 400")
    text += "\n[gains]\nintegral_per_s = 14.2\n"
    for target, window_ms, settling_ms in ((250, 10, 250), (245, 20, 240), (100, 10, 250)):
        asked = text.replace("settling_ms = 250", f"settling_ms = {target}")
        design = design_integers(parse_spec(asked, "x")).design
        assert design.window.duration_ms == window_ms
        assert design.loop.settling_ms == settling_ms


def test_an_even_window_does_not_become_an_odd_one_with_nothing_to_do() -> None:
    """Two half cycles at 800 us became one at 400 us, whose reading flips by 1.47 V, and the text
    said that there was nothing to do."""
    done = retune(plain("peat_cabin", 1), {PERIOD: F(400)}, "x")
    assert done.after is not None and done.after.good
    assert done.values["loop.half_cycles"] == 2
    assert done.after.design.window.half_cycles == done.before.design.window.half_cycles == 2
    assert done.after.design.chosen.faults.alternation_v == 0
    assert "window-pinned" in {remark.code for remark in done.findings}


@pytest.mark.long
def test_a_window_that_cannot_be_kept_is_said_with_its_cost() -> None:
    """At 60 Hz and 50 us three half cycles fill 500 samples; at 49 us 3 are not whole."""
    done = retune(example("print_shop"), {PERIOD: F(1000, 19)}, "x")
    assert done.after is not None
    moved = {remark.code: remark for remark in done.findings}
    before, after = done.before.design.window, done.after.design.window
    if before.half_cycles != after.half_cycles:
        assert "window-moved" in moved and "steady error" in moved["window-moved"].text
    else:
        assert "window-moved" not in moved
