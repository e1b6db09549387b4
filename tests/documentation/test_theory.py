"""The formulae of the theory page, read from the page, against what the code computes."""

from __future__ import annotations

import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from documentation.formula import Value, evaluate, formulae
from documentation.pages import DOCS
from halfcycle.base import clipped_sine, precise
from halfcycle.loop import derivations, drive, frequency_response
from halfcycle.loop.discretise import ContinuousGains, to_window
from halfcycle.quantise import fixed_point, resolution
from halfcycle.regulator import arithmetic
from halfcycle.simulate import setup
from halfcycle.spec.load import load_spec, parse_spec
from halfcycle.windows import output_ripple, reading_errors, rms_extremes, weights
from halfcycle.windows.search import Window
from support import plan_cases
from support.paths import EXAMPLES, ROOT

PAGE = (DOCS / "theory.md").read_text()
FORMULAE = formulae(PAGE)
HZ, SECONDS = Fraction(60), Fraction(1, 1000)
WEIGHTS = (21, 27, 31, 31, 27, 31, 31, 27, 21)
TAPS = [0.83, 0.22, -0.07, 0.02]
KP, KI = 0.06, 0.31


def of(name: str, **values: Value) -> complex:
    """The formula's value; ``_`` before a name stands for a backslash."""
    greek = {re.sub(r"^_", r"\\", key): value for key, value in values.items()}
    return complex(evaluate(FORMULAE[name], greek))


def near(name: str, expected: complex, within: float = 1e-9, **values: Value) -> None:
    assert of(name, **values) == pytest.approx(expected, rel=within, abs=1e-12), name


@pytest.mark.parametrize("points", [2, 8, 25])
def test_the_sampled_mean(points: int) -> None:
    low, high = reading_errors.sampling_ripple(points)
    near("mean-least", 1 + low, N=points)
    near("mean-greatest", 1 + high, N=points)
    quarter = Fraction(1, 4 * points)
    middle = precise.pi() * quarter * precise.cotangent(quarter / 2)
    near("centre", 1 + (low + high) / 2, N=points)
    near("centre", float(middle), N=points)


def dirichlet(samples: float, x: float) -> float:
    return float(rms_extremes.dirichlet(int(samples), np.array([x]))[0])


@pytest.mark.parametrize("samples", [9, 25])
def test_the_mean_square_of_samples(samples: int) -> None:
    """The code's kernel, and the samples themselves."""
    step, offset, phase = 0.377, 0.03, 1.1
    near("dirichlet", dirichlet(samples, step), M=samples, x=step)
    k = np.arange(samples) - (samples - 1) / 2
    taken = np.mean((np.sin(phase + k * step) + offset) ** 2)

    def kernel(x: float) -> float:
        return dirichlet(samples, x)

    near("mean-square", taken, d=offset, _delta=step, _theta=phase, D_M=kernel)


def test_noise_of_a_mean() -> None:
    near("form-factor", clipped_sine.FORM_FACTOR)
    window = Window(3, 25, HZ, SECONDS)
    noise = reading_errors.resolution(window, 1.0, 0.7, "mean").noise
    near("noise-mean", noise, F=clipped_sine.FORM_FACTOR, M=25, _sigma=0.7)


def test_weights_of_blocks() -> None:
    blocks: dict[str, Value] = {"c": [0, *WEIGHTS], "B": len(WEIGHTS)}
    near("noise-of-weights", weights.noise_gain(WEIGHTS), **blocks)
    for hertz in (17, 60, 120, 333):
        real, imaginary = weights.response(WEIGHTS, 2, hertz * SECONDS)
        assert not imaginary
        of_block = float(weights.block_response(2, hertz * SECONDS))
        expected = float(real) / of_block
        near("block-weights", expected, 1e-7, n=2, T=float(SECONDS), _nu=hertz, **blocks)


def test_what_a_ripple_of_the_reading_does() -> None:
    window = Window(Fraction(27, 25), 9, HZ, SECONDS, block_weights=WEIGHTS)
    f, step = float(HZ), float(window.update_s)
    action = output_ripple.loop_action(window, 1, KI, KP)
    near("loop-action", action, K_p=KP, K_i=KI, _nu=f, _Delta=step)
    # From a ripple at f, DC comes of the lines at f and -f, half of each.
    for target in (0, 2):
        lines = {f * k for k in (-3, -1, 1, 3) if abs(k) in (abs(target - 1), target + 1)}
        reached = [x for x in lines if ((x - f) * step) % 1 == 0]
        total = sum(of("staircase-line", x=x, _Delta=step).real / 2 for x in reached)
        assert output_ripple.per_action(window, 1, target) == pytest.approx(total)


@pytest.mark.parametrize("scale", [1.01, 1.2, 3.0])
def test_the_clipped_sine(scale: float) -> None:
    angle = math.asin(1 / scale)
    near("clipped-fundamental", clipped_sine.fundamental(scale), _alpha=angle)
    near("clipped-mean-square", clipped_sine.mean_square(scale), _alpha=angle)
    near("clipped-mean", clipped_sine.mean(scale), _alpha=angle)
    slope = clipped_sine.mean(scale + 1e-6) - clipped_sine.mean(scale - 1e-6)
    near("clipped-mean-slope", slope / 2e-6, 1e-5, _alpha=angle)


@pytest.mark.parametrize("scale", [0.4, 1.15])
def test_a_sagging_bus(scale: float) -> None:
    def reading(u: float) -> float:
        return float(drive.reading_of_scale(np.array([u]), "rms")[0][0])

    expected = 1.3 * drive.effective_scale(np.array([scale]), np.array([0.08]), "rms")[0]
    near("sagging-bus", expected, g=1.3, u=scale, _eta=0.08, _rho=reading)


def test_the_open_loop() -> None:
    theta = 0.9
    z = complex(math.cos(theta), math.sin(theta))
    plant = sum(tap * z ** (-1 - i) for i, tap in enumerate(TAPS))
    loop = frequency_response.open_loop(np.array([TAPS]), KP, KI, np.array([[theta]]))[0, 0]
    near("regulator", complex(loop) / plant, K_p=KP, K_i=KI, z=z)
    folded = float(frequency_response.nyquist_loop(np.array([TAPS]), KP, KI)[0])
    near("loop-at-minus-one", folded, K_p=KP, K_i=KI, g=1, h=TAPS, m=len(TAPS) - 1)


def test_the_pure_delay() -> None:
    """Symbolically, at a point; and it is 0 at the poles."""
    g, kp, ki, z = derivations.symbols("g Kp Ki z")
    values = {g: 1.2, kp: KP, ki: KI, z: 0.4}
    polynomial = derivations.characteristic_polynomial()
    assert {str(symbol) for symbol in polynomial.free_symbols} == {"g", "Kp", "Ki", "z"}
    at = {symbol: values[symbol] for symbol in values}
    by_name = {str(symbol): value for symbol, value in at.items()}
    expected = polynomial.subs({s: by_name[str(s)] for s in polynomial.free_symbols})
    near("pure-delay", complex(expected), g=1.2, K_p=KP, K_i=KI, z=0.4)


def test_the_forms_of_the_gains() -> None:
    """The rows of the table of discrete forms."""
    rows = re.findall(r"^\| (\w+) \| \$.*?\$ \| \$(.*?)\$ \| \$(.*?)\$ \|$", PAGE, re.MULTILINE)
    assert [row[0] for row in rows] == ["backward", "forward", "trapezoidal"]
    values: dict[str, Value] = {"k_p": 0.2, "k_i": 8.0, "T_w": 0.025}
    for form, kp, ki in rows:
        gains = to_window(ContinuousGains(Fraction("0.2"), Fraction(8)), Fraction("0.025"), form)
        assert evaluate(kp, values) == pytest.approx(float(gains.proportional))
        assert evaluate(ki, values) == pytest.approx(float(gains.integral_per_window))


@pytest.mark.parametrize("measure", ["mean", "rms"])
def test_counts_of_a_volt(measure: str) -> None:
    text = (EXAMPLES / "peat_cabin.toml").read_text()
    spec = parse_spec(re.sub(r'measure = "\w+"', f'measure = "{measure}"', text), "peat_cabin.toml")
    window = Window(2, 25, Fraction(50), Fraction(800, 10**6))
    centre = Fraction(999, 1000) if measure == "mean" else Fraction(1)
    counts = float(resolution.counts_per_volt(spec, window, centre, 3))
    volts = float(spec.sensor.volts_per_code)
    form: dict[str, Value] = {"_mu": 0.999, "F": clipped_sine.FORM_FACTOR}
    near(f"counts-{measure}", counts, M=25, v=volts, b=3, **(form if measure == "mean" else {}))


def test_the_dead_band() -> None:
    """Of the model's own step: the greatest error that leaves the integrator where it is."""
    plan = plan_cases.make()
    band = of("dead-band", a=plan.integral_shift, G=abs(plan.integral)).real
    assert band == fixed_point.stalled_error(plan) + 0.5
    still = int(band)
    steps = [
        arithmetic.round_shift(plan.integral * error, plan.integral_shift)
        for error in (still, still + 1)
    ]
    assert steps[0] == 0 != steps[1]


def test_the_sine_table() -> None:
    for bits in (3, 6):
        near("table-error", resolution.table_error(bits), _chi=math.pi / 2 / 2**bits)


def test_what_holding_the_drive_takes_off() -> None:
    spec = load_spec(EXAMPLES / "ferry_galley.toml")
    calls = setup.steps_per_sample(spec) * 1_000_000 / float(spec.loop.period_us * 60)
    lost = of("held-drive", _kappa=calls).real
    assert lost <= setup.MAX_HOLD_ERROR
    assert lost == pytest.approx(1 - of("staircase-order", m=1, _kappa=calls).real, rel=1e-4)


def test_the_staircase() -> None:
    """By the transform of a sine that is held between 20 calls a cycle."""
    calls, fine = 20, 200
    held = np.repeat(np.sin(2 * np.pi * np.arange(calls) / calls), fine)
    sizes = np.abs(np.fft.rfft(held)) * 2 / len(held)
    for order in (1, 19, 21, 39, 41):
        near("staircase-order", sizes[order], 1e-3, m=order, _kappa=calls)
    assert max(sizes[[2, 3, 18, 20, 22]]) < 1e-9


def test_sizes_times_signs_of_a_sine() -> None:
    """By sums over a fine cycle."""
    x = 2 * np.pi * (np.arange(100_000) + 0.5) / 100_000
    signed = np.sin(x) * np.abs(np.sin(x))
    for order in (1, 3, 5):
        own = 2 * np.mean(signed * np.sin(order * x))
        near("harmonics-of-signed-square", own, 1e-6, m=order)
    off = np.sin(x) + 1e-4
    near("lean-of-signed-square", np.mean(off * np.abs(off)), 1e-3, d=1e-4)


@pytest.mark.parametrize("share", [1 / 8, 1 / 256])
def test_what_tracking_leaves(share: float) -> None:
    """Of steps x += share (input - x), by their response."""
    impulse = share * (1 - share) ** np.arange(10_000)
    near("tracked-noise", math.sqrt(np.sum(impulse**2)), _gamma=share)
    turn = np.linspace(1e-4, np.pi, 20_000)
    passed = share / np.abs(1 - (1 - share) * np.exp(-1j * turn))
    greatest = np.max(passed * np.sin(turn / 2))
    bound = of("tracked-turning", _gamma=share).real
    assert 0.99 * bound < greatest <= bound


def test_every_marked_formula_is_evaluated() -> None:
    tests = Path(__file__).read_text().replace('f"counts-{measure}"', '"counts-mean" "counts-rms"')
    assert len(FORMULAE) > 25
    assert not [name for name in FORMULAE if f'"{name}"' not in tests]


def test_a_wrong_formula_is_found() -> None:
    with pytest.raises(AssertionError):
        near("table-error", resolution.table_error(3) * 1.01, _chi=math.pi / 16)
    with pytest.raises(ValueError, match="has no value"):
        of("table-error")
    with pytest.raises(ValueError, match="is not expected"):
        evaluate("x)", {"x": 1})


COMMANDS = re.compile(
    r"\\(?:frac|sqrt|sum|left|right|sin|cos|tan|arcsin|min|gcd|pi|infty|ge|qquad|quad|overline"
    r"|lfloor|rfloor|mp|pm|ldots|cdots|vert)$|e$"
)
WORDS = r"\\(?:text|operatorname|mathsf)(?:\{[^}]*\}| *\w+)"


def symbols(latex: str) -> set[str]:
    """The symbols of a formula: a letter, and a letter with its kind of index as ``h_``."""
    plain = re.sub(r"\\mathbf\{(\w)\}", r"\\bold\1 ", re.sub(WORDS, "", latex))
    bare = re.sub(r"_(?:\{[^}]*\}|\w|\\[a-z]+)", "_", plain)
    found = re.findall(r"(?:\\[a-zA-Z]+|[a-zA-Z])_?", bare)
    return {token for token in found if not COMMANDS.match(token.rstrip("_"))}


def mathematics(text: str) -> list[str]:
    return re.findall(r"^\$\$\n(.*?)\n\$\$$", text, re.MULTILINE | re.DOTALL) + re.findall(
        r"(?<!\$)\$([^$\n]+)\$(?!\$)", text
    )


def test_every_symbol_is_in_the_table_once() -> None:
    table = PAGE.partition("## Symbols")[2].partition("\n## ")[0]
    names = [row.split(" | ")[0] for row in re.findall(r"^\| (\$.*)$", table, re.MULTILINE)]
    told = [symbol for row in names for symbol in mathematics(row)]
    assert len(told) == len(set(told)), "a symbol has two rows"
    known = set().union(*(symbols(symbol) for symbol in told))
    rest = PAGE.replace(table, "")
    for latex in mathematics(rest):
        assert symbols(latex) <= known, f"{symbols(latex) - known} of {latex}"


def test_modules_that_the_page_names_exist() -> None:
    named = re.findall(r"`([a-z]+/[a-z_]+)`", PAGE)
    assert len(named) > 40
    missing = [name for name in named if not (ROOT / "gen/halfcycle" / f"{name}.py").exists()]
    assert not missing


def test_modules_that_are_named_exist() -> None:
    """The laws and the measured bus named modules as they were called before they moved."""
    page = (DOCS / "theory.md").read_text()
    named = re.findall(r"^(`[a-z_]+(?:/[a-z_]+)?`(?:,.*)?)$", page, re.MULTILINE)
    modules = {module for line in named for module in re.findall(r"`([a-z_/]+)`", line)}
    assert len(modules) > 30
    missing = [name for name in modules if not (ROOT / f"gen/halfcycle/{name}.py").exists()]
    assert not missing
