"""The filter's ringing from a capture: against the poles of circuits that numpy, scipy and ngspice
know, coverage of the intervals, and what is refused."""

from __future__ import annotations

import json
import math
import subprocess
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats

from halfcycle.base.errors import InputError
from halfcycle.bench.filter_ringing import (
    CAPACITANCE,
    INDUCTANCE,
    RESISTANCE,
    BoardRinging,
    board_ringing,
    ringing_corners,
)
from halfcycle.bench.ringing_findings import ringing_findings
from halfcycle.bench.ringing_fit import NoRinging, RingingFit, fit_ringing
from halfcycle.output.schema import published_text
from halfcycle.spec.edit import edit_text
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from support.command import CommandLine
from support.paths import example
from support.ringing_filter import RingingFilter, as_csv
from support.tools import need_tool

SPEC = example("peat_cabin")
TEXT = SPEC.read_text("utf-8")
EXPECTED = (1236.0, 1773.0)
"""Hertz that the tolerances of ``peat_cabin`` allow."""

LIGHT = RingingFilter()
LOSSY = RingingFilter(ohm=1.5, switch_s=0.0150)
LOADED = RingingFilter(before_ohm=0.0, after_ohm=75.0, switch_s=0.0140)
FAST = RingingFilter(200e-6, 8e-6, 0.2, 30.0, 0.0, 0.0107, 163.0, 400.0)


def spec(**changes: object) -> Spec:
    values = {f"filter.{key}": value for key, value in changes.items()}
    return parse_spec(edit_text(TEXT, values), "x")  # type: ignore[arg-type]


def fitted(time: np.ndarray, volts: np.ndarray, mains_hz: float = 50.0) -> RingingFit:
    ends = EXPECTED if mains_hz == 50 else (3300.0, 4800.0)
    fit = fit_ringing([(time, volts)], mains_hz, *ends)
    assert isinstance(fit, RingingFit), fit
    return fit


def reasons(time: np.ndarray, volts: np.ndarray) -> str:
    fit = fit_ringing([(time, volts)], 50.0, *EXPECTED)
    assert isinstance(fit, NoRinging)
    return fit.reason


@pytest.mark.parametrize("board", [LIGHT, LOSSY, LOADED, FAST])
def test_without_noise_the_poles_come_out(board: RingingFilter) -> None:
    """Eigenvalues of the circuit by numpy, the waveform by scipy's matrix exponential."""
    fit = fitted(*board.waveform(1e-5), board.mains_hz)
    assert fit.frequency_hz.value == pytest.approx(board.hertz, rel=1e-7)
    assert fit.decay_per_s.value == pytest.approx(board.decay, rel=1e-5)
    assert fit.damping_ratio.value == pytest.approx(board.decay / abs(board.pole), rel=1e-5)


def held(board: RingingFilter, draws: int, noise_v: float) -> tuple[int, int]:
    """Of how many noise draws the intervals hold the truth: frequency, decay."""
    time, volts = board.waveform()
    fits = [
        fitted(time, volts + np.random.default_rng(seed).normal(0, noise_v, len(volts)))
        for seed in range(draws)
    ]
    hertz = sum(fit.frequency_hz.low <= board.hertz <= fit.frequency_hz.high for fit in fits)
    return hertz, sum(fit.decay_per_s.low <= board.decay <= fit.decay_per_s.high for fit in fits)


def test_intervals_hold_the_truth_of_a_few_captures() -> None:
    """Of 40 at 95 %: fewer than 33 once in 10^3 (binomial)."""
    assert min(held(LIGHT, 40, 2.0)) >= 33


@pytest.mark.parametrize(
    ("board", "draws"),
    [
        *(pytest.param(board, 100, marks=pytest.mark.full) for board in (LOSSY, LOADED)),
        *(pytest.param(board, 600, marks=pytest.mark.long) for board in (LIGHT, LOSSY, LOADED)),
    ],
)
def test_95_of_100_intervals_hold_the_truth(board: RingingFilter, draws: int) -> None:
    """Within what a coin of 95 % gives in 99.5 % of all such draws: 92.5 to 97.5 % of 600."""
    low, high = stats.binom.interval(0.995, draws, 0.95)
    for count in held(board, draws, 2.0):
        assert low <= count <= high


@pytest.mark.parametrize(
    "draws",
    [pytest.param(60, marks=pytest.mark.full), pytest.param(200, marks=pytest.mark.long)],
)
def test_noise_that_hangs_together_does_not_make_intervals_too_narrow(draws: int) -> None:
    """First-order noise, correlation 0.8 from sample to sample, as of a recorder's filter:
    intervals of white noise held the truth 75 times in 100."""
    from scipy.signal import lfilter  # noqa: PLC0415

    time, volts = LIGHT.waveform()
    count = 0
    for seed in range(draws):
        white = np.random.default_rng(seed).normal(0, 1, len(volts))
        fit = fitted(time, volts + lfilter([1], [1, -0.8], white))
        count += fit.frequency_hz.low <= LIGHT.hertz <= fit.frequency_hz.high
    # Fewer once in 100 at 95 %, and three in four are too few of either number (binomial).
    least = int(stats.binom.ppf(0.01, draws, 0.95))
    assert count >= least > 0.85 * draws


def test_another_step_within_the_ringing_ends_the_fit() -> None:
    """A smaller load comes after six periods: a fit over both would have been of neither."""
    time, volts = LIGHT.waveform()
    again = RingingFilter(before_ohm=0.0, after_ohm=400.0, switch_s=LIGHT.switch_s + 0.0045)
    late = time >= again.switch_s
    volts[late] += again.waveform()[1][late] - RingingFilter(before_ohm=0.0).waveform()[1][late]
    fit = fitted(time, volts + np.random.default_rng(0).normal(0, 0.5, len(time)))
    assert fit.frequency_hz.value == pytest.approx(LIGHT.hertz, rel=3e-3)
    assert fit.decay_per_s.value == pytest.approx(LIGHT.decay, rel=0.15)
    assert fit.time_s[-1] < again.switch_s + 0.0005


def test_eight_bits_of_a_recorder_suffice() -> None:
    time, volts = LIGHT.waveform()
    step = 800 / 256
    fit = fitted(time, np.round(volts / step) * step)
    assert fit.frequency_hz.value == pytest.approx(LIGHT.hertz, rel=2e-3)
    assert fit.decay_per_s.value == pytest.approx(LIGHT.decay, rel=0.2)


def test_what_shows_no_ringing_is_refused() -> None:
    time = np.arange(2500) * 2e-5
    noise = np.random.default_rng(1).normal(0, 1, len(time))
    sine = 325 * np.sin(2 * math.pi * 50 * time)
    assert "stands out" in reasons(time, sine + noise)
    tone = 5 * np.sin(2 * math.pi * 1450 * time)
    assert "does not decay" in reasons(time, sine + tone + noise)
    assert "periods" in reasons(time[:60], (sine + tone)[:60])
    assert "periods" in reasons(*(part[:660] for part in LIGHT.waveform()))
    assert "no part" in reasons(time[:1], sine[:1])


def test_a_ringing_as_weak_as_the_noise_is_refused() -> None:
    time, volts = replace(LIGHT, before_ohm=4000.0).waveform()
    noise = np.random.default_rng(2).normal(0, 2, len(volts))
    assert reasons(time, volts + noise)


def test_noise_alone_is_never_taken_for_a_ringing() -> None:
    time = np.arange(2500) * 2e-5
    sine = 325 * np.sin(2 * math.pi * 50 * time)
    for seed in range(25):
        reasons(time, sine + np.random.default_rng(seed).normal(0, 5, len(time)))


def test_the_corners_are_those_of_the_circuit() -> None:
    """No load: the closed forms r = sqrt(1/LC - (R/2L)^2) and d = R/2L (series circuit, any
    textbook) at the ends of L and C."""
    corners = ringing_corners(spec(inductance_tolerance_percent=Fraction(20)))
    assert corners is not None
    most_l, most_c, ohm = 1.2 * 1.2e-3, 1.1 * 10e-6, 0.25
    assert corners.decay_per_s.low == pytest.approx(ohm / 2 / most_l, rel=1e-6)
    # With the rated load across it: d = (R/L + 1/(R_load C))/2, at the least of both.
    load = 230**2 / 700
    most = (ohm / (0.8 * 1.2e-3) + 1 / load / (0.9 * 10e-6)) / 2
    assert corners.decay_per_s.high == pytest.approx(most, rel=1e-3)
    # Rated at power factor 1, as (1 + R G)/LC - d^2, rings the slowest.
    decay = (ohm / most_l + 1 / load / most_c) / 2
    slowest = math.sqrt((1 + ohm / load) / most_l / most_c - decay**2) / 2 / math.pi
    assert corners.frequency_hz.low == pytest.approx(slowest, rel=1e-6)


def test_a_filter_that_does_not_ring_has_no_corners(tmp_path: Path) -> None:
    text = edit_text(TEXT, {"filter.winding_resistance_ohm": Fraction(60)})
    damped = parse_spec(text, "x")
    assert ringing_corners(damped) is None
    path = tmp_path / "a.csv"
    path.write_text(as_csv(*LIGHT.waveform()))
    with pytest.raises(InputError, match="does not ring"):
        board_ringing(damped, [path])


def captured(tmp_path: Path, board: RingingFilter, **changes: object) -> BoardRinging:
    path = tmp_path / "scope.csv"
    time, volts = board.waveform()
    noise = np.random.default_rng(3).normal(0, 1, len(volts))
    path.write_text(as_csv(time, volts + noise))
    (found,) = board_ringing(spec(**changes), [path])
    return found


def codes(board: BoardRinging) -> set[str]:
    return {entry.code for entry in ringing_findings([board])}


@pytest.mark.parametrize("inductance_h", [0.7e-3, 2.0e-3])
def test_each_tolerance_that_is_named_holds_the_board(tmp_path: Path, inductance_h: float) -> None:
    odd = captured(tmp_path, replace(LIGHT, inductance_h=inductance_h, ohm=0.4))
    assert odd.inside is False and "ringing-outside" in codes(odd)
    assert INDUCTANCE in odd.advice
    for key, value in odd.advice.items():
        name = key.removeprefix("filter.")
        held = captured(
            tmp_path,
            replace(LIGHT, inductance_h=inductance_h, ohm=0.4),
            **{name: Fraction(str(value))},
        )
        assert held.inside is True, key
        assert "ringing-inside" in codes(held)
        # And no more than it has to be.
        less = Fraction(str(value)) - 1
        assert (
            captured(
                tmp_path,
                replace(LIGHT, inductance_h=inductance_h, ohm=0.4),
                **{name: less},
            ).inside
            is False
        )


def test_parts_that_no_tolerance_holds_are_said_to_be_others(tmp_path: Path) -> None:
    odd = captured(tmp_path, replace(LIGHT, capacitance_f=2.5e-6))
    assert not odd.advice.keys() & {INDUCTANCE, CAPACITANCE}
    assert "nominal" in next(iter(ringing_findings([odd]))).text


def test_a_filter_that_rings_on_asks_for_less_resistance(tmp_path: Path) -> None:
    board = replace(LIGHT, ohm=0.1)
    odd = captured(tmp_path, board)
    assert odd.inside is False and codes(odd) == {"ringing-undamped"}
    ohm = odd.advice[RESISTANCE]
    held = captured(tmp_path, board, winding_resistance_ohm=Fraction(str(ohm)))
    assert held.inside is True and 0.1 < ohm < 0.15  # with the largest choke, of 25 % more


def test_a_filter_that_is_damped_more_is_on_the_safe_side(tmp_path: Path) -> None:
    more = captured(tmp_path, replace(LIGHT, ohm=2.6))
    assert more.inside is True and codes(more) == {"ringing-inside", "ringing-damped"}


@pytest.fixture
def identify(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys, "identify", SPEC)


def test_the_command_and_its_json(identify: CommandLine, tmp_path: Path) -> None:
    path, picture = tmp_path / "scope.csv", tmp_path / "scope.svg"
    path.write_text(as_csv(*LIGHT.waveform()))
    answer = identify("--ringing", path, "--json", "--plot", picture)
    assert answer.code == 0, answer.err
    told = json.loads(answer.out)
    jsonschema.validate(told, json.loads(published_text()))
    assert told["as_model"] is None and told["inside_corners"] is None and told["rows"] == 0
    (ringing,) = told["ringing"]
    assert ringing["inside"] is True and ringing["capture"] == "scope"
    # Hundredths of a volt are all that the file keeps.
    assert ringing["frequency_hz"]["value"] == pytest.approx(LIGHT.hertz, rel=1e-4)
    assert ringing["damping_ratio"]["value"] == pytest.approx(
        LIGHT.decay / abs(LIGHT.pole), rel=0.01
    )
    first = picture.read_bytes()
    assert b"allowed by the spec" in first
    shown = identify("--ringing", path, "--plot", picture)
    assert shown.code == 0 and "1452." in shown.out and picture.read_bytes() == first


def test_bad_captures_are_one_message_each(identify: CommandLine, tmp_path: Path) -> None:
    slow, few, text = (tmp_path / name for name in ("slow.csv", "few.csv", "text.csv"))
    slow.write_text(as_csv(*LIGHT.waveform(2e-4)))
    few.write_text("s,V\n0,1\n")
    text.write_text("no capture at all")
    for path, words in ((slow, "a sample every"), (few, "columns"), (text, "")):
        answer = identify("--ringing", path)
        assert (answer.code, answer.out) == (2, "")
        assert answer.err.count("\n") == 1 and words in answer.err
    none = identify()
    assert none.code == 2 and none.err.count("\n") == 1 and "--ringing" in none.err
    missing = identify("--ringing", tmp_path / "gone.csv")
    assert missing.code == 2 and "no such file" in missing.err
    channel = identify("--ringing", slow, "--channel", "CH9")
    assert channel.code == 2 and " --channel: " in channel.err


def test_a_capture_at_rest_is_not_judged(identify: CommandLine, tmp_path: Path) -> None:
    path = tmp_path / "rest.csv"
    path.write_text(as_csv(*replace(LIGHT, after_ohm=75.0).waveform()))
    answer = identify("--ringing", path, "--json")
    told = json.loads(answer.out)
    assert answer.code == 1 and told["ringing"][0]["inside"] is None
    assert told["ringing"][0]["frequency_hz"] is None
    assert [entry["code"] for entry in told["findings"]] == ["ringing-unseen"]


NETLIST = """* bridge that switches at 20 kHz, LC filter, load that is taken off
Bin in 0 V = 385 * tanh(8 * (v(sine) - v(tri)))
Vsine sine 0 SIN(0 0.84 50)
Vtri tri 0 PULSE(-1 1 0 25u 25u 1n 50u)
Rw in m {ohm}
L1 m out {henry} IC=0
C1 out 0 {farad} IC=0
S1 out load gate 0 open
Vgate gate 0 PULSE(1 0 45.2m 1u 1u 1 2)
Rl load 0 75
.model open SW(vt=0.5 vh=0.1 ron=1m roff=100meg)
.options reltol=1e-5 method=trap
.tran 1u 60m 40m 0.5u uic
.control
set wr_singlescale
run
wrdata out.txt v(out)
quit
.endc
.end
"""


@pytest.mark.full
def test_a_switching_bridge_in_ngspice_rings_as_its_parts_say(tmp_path: Path) -> None:
    """ngspice's own circuit with the PWM's ripple in it; the poles by numpy."""
    board = RingingFilter(0.9e-3, 11e-6, 0.3)
    text = NETLIST.format(ohm=board.ohm, henry=board.inductance_h, farad=board.capacitance_f)
    (tmp_path / "circuit.cir").write_text(text)
    ran = subprocess.run(
        [need_tool("ngspice"), "-b", "circuit.cir"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert (tmp_path / "out.txt").is_file(), ran.stdout + ran.stderr
    recorded = np.loadtxt(tmp_path / "out.txt")
    time = np.arange(0.0401, 0.0599, 1e-5)
    volts = np.interp(time, recorded[:, 0], recorded[:, 1])
    volts += np.random.default_rng(0).normal(0, 1, len(volts))
    path = tmp_path / "scope.csv"
    path.write_text(as_csv(time, volts))
    (found,) = board_ringing(spec(), [path])
    assert isinstance(found.fit, RingingFit), found.fit
    assert found.inside is True
    # The ripple of the PWM is noise to the fit.
    assert found.fit.frequency_hz.value == pytest.approx(board.hertz, rel=2e-3)
    assert found.fit.decay_per_s.value == pytest.approx(board.decay, rel=0.1)
