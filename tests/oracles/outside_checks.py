"""The table of outside checks: what the code says beside what somebody else says.

Each check computes both values when it is asked; ``docs/checks.md`` shows them, and
``test_outside_checks.py`` holds one to the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Check:
    """One quantity. ``expected`` is the source's value, or computes it with the source's own
    program; ``within`` is the greatest difference allowed, in the same unit."""

    what: str
    source: str
    expected: float | Callable[[], float]
    obtained: Callable[[], float]
    within: float
    unit: str = ""

    def values(self) -> tuple[float, float]:
        """(expected, obtained)."""
        wanted = self.expected() if callable(self.expected) else self.expected
        return float(wanted), float(self.obtained())


# --- clipped sine -------------------------------------------------------------------------------


def _describing_function() -> float:
    import control  # noqa: PLC0415

    gain = control.describing_function(control.saturation_nonlinearity(1), 1.2)
    return 1.2 * float(np.real(gain))


def _quadrature(power: int) -> Callable[[], float]:
    """Mean of the clipped sine's power over a quarter cycle, by mpmath at 30 digits."""

    def value() -> float:
        import mpmath  # noqa: PLC0415

        with mpmath.workdps(30):
            drive = mpmath.mpf("1.2")
            ends = [0, mpmath.asin(1 / drive), mpmath.pi / 2]
            area = mpmath.quad(lambda x: min(drive * mpmath.sin(x), mpmath.mpf(1)) ** power, ends)
            return float((2 / mpmath.pi * area) ** (mpmath.mpf(1) / power))

    return value


def _distortion() -> float:
    count = 1 << 16
    wave = np.clip(1.2 * np.sin(2 * np.pi * (np.arange(count) + 0.5) / count), -1, 1)
    lines = np.abs(np.fft.rfft(wave))
    return 100 * float(np.sqrt((lines[2:] ** 2).sum()) / lines[1])


def _average_responding(shape: Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]]) -> float:
    """Error in percent of a rectified mean that is calibrated for a sine, on that sine put through
    ``shape``: sampled."""
    sine = np.sin(2 * np.pi * (np.arange(1 << 16) + 0.5) / (1 << 16))
    wave = shape(sine)
    mean, rms = np.abs([sine, wave]).mean(axis=1), np.sqrt(np.square([sine, wave]).mean(axis=1))
    return 100 * float(mean[1] / rms[1] / (mean[0] / rms[0]) - 1)


def clipped() -> list[Check]:
    """Clipped sine and average-responding meters."""
    from halfcycle.base import clipped_sine as c  # noqa: PLC0415

    return [
        Check(
            "fundamental at drive 1.2",
            "python-control, `describing_function` of a saturation",
            _describing_function,
            lambda: c.fundamental(1.2),
            1e-5,
            "of the bus",
        ),
        Check(
            "RMS at drive 1.2",
            "mpmath, quadrature at 30 digits",
            _quadrature(2),
            lambda: c.rms(1.2),
            1e-12,
            "of the bus",
        ),
        Check(
            "mean at drive 1.2",
            "mpmath, quadrature at 30 digits",
            _quadrature(1),
            lambda: c.mean(1.2),
            1e-12,
            "of the bus",
        ),
        Check(
            "distortion at drive 1.2",
            "numpy, FFT of 65536 points",
            _distortion,
            lambda: 100 * c.thd(1.2),
            1e-4,
            "%",
        ),
        Check(
            "mean-based reading of a square wave",
            "numpy, 65,536 points, over a sine's (RadioShack's Faxback document 7173: an "
            "average-responding meter displays 1.111 V for 1 V)",
            lambda: _average_responding(np.sign),
            lambda: 100 * c.mean_reading_error(1.0, 1.0),
            1e-4,
            "%",
        ),
        Check(
            "mean-based reading of a triangle",
            "numpy, 65,536 points, over a sine's",
            lambda: _average_responding(np.arcsin),
            lambda: 100 * c.mean_reading_error(0.5, 1 / math.sqrt(3)),
            1e-4,
            "%",
        ),
        Check(
            "fundamental at unlimited drive",
            "Fourier series of a square wave: 4/pi",
            4 / math.pi,
            lambda: c.fundamental(1e9),
            1e-9,
            "of the bus",
        ),
    ]


# --- window -------------------------------------------------------------------------------------


def _sweep(pick: Callable[[np.ndarray[Any, Any]], float], offset: float = 0.0) -> float:
    """Extreme of a mean-based reading of 60 Hz at 1 ms over 20,001 phases, sampled."""
    phase = np.linspace(0, np.pi, 20_001)[:, None]
    wave = np.abs(np.sin(phase + 3 * np.pi / 25 * np.arange(25)) + offset)
    return 100 * (float(pick(wave.mean(axis=1))) * math.pi / 2 - 1)


def windows() -> list[Check]:
    """Whole windows and their faults."""
    from halfcycle.windows import reading_errors as faults  # noqa: PLC0415
    from halfcycle.windows.search import Window, whole_windows  # noqa: PLC0415

    ms, sixty = Fraction(1, 1000), Fraction(60)
    odd = Window(3, 25, sixty, ms)
    even = Window(2, 25, Fraction(50), Fraction(8, 10000))
    first = whole_windows(sixty, ms, Fraction(1, 10))[0]
    small, x = 1e-4, math.pi / 50
    return [
        Check("samples for 60 Hz at 1 ms", PRACTICE, 25, lambda: first.samples, 0),
        Check("half cycles in them", PRACTICE, 3, lambda: first.half_cycles, 0),
        Check(
            "lowest mean-based reading there",
            "by hand: -x^2/3 - x^4/45 with x = pi/50, the series of x/tan x - 1",
            -100 * (x**2 / 3 + x**4 / 45),
            lambda: 100 * faults.mean_error(odd).low,
            1e-7,
            "%",
        ),
        Check(
            "highest mean-based reading there",
            "by hand: x^2/6 + 7 x^4/360, the series of x/sin x - 1",
            100 * (x**2 / 6 + 7 * x**4 / 360),
            lambda: 100 * faults.mean_error(odd).high,
            1e-7,
            "%",
        ),
        Check(
            "highest with a zero off by a hundredth of the peak",
            "numpy, a sweep of 20,001 phases (the bound lies above it)",
            lambda: _sweep(np.max, 0.01),
            lambda: 100 * faults.mean_error(odd, 0.01).high,
            2e-3,
            "%",
        ),
        Check(
            "share of a small zero offset that flips, 3 half cycles in 25 samples",
            "counting: 17 samples of one sign, 8 of the other",
            9 / 25,
            lambda: faults.alternation(odd, small, "mean") * (2 / math.pi) / small,
            1e-4,
        ),
        Check(
            "share that is left, 2 half cycles in 25 samples",
            "counting: 13 samples of one sign, 12 of the other",
            1 / 25,
            lambda: (
                (faults.mean_error(even, small).high - faults.mean_error(even).high)
                * (2 / math.pi)
                / small
            ),
            1e-4,
        ),
        Check(
            "RMS reading with a zero off by a tenth of the peak, 2 half cycles",
            "by hand: sqrt(1 + 2 d^2) - 1",
            100 * (math.sqrt(1.02) - 1),
            lambda: 100 * faults.rms_error(even, 0.1).high,
            1e-5,
            "%",
        ),
    ]


# --- loop ---------------------------------------------------------------------------------------


def _delay(count: int) -> np.ndarray[Any, Any]:
    taps = np.zeros((1, count + 1))
    taps[0, count] = 1.0
    return taps


def _greatest_stable(taps: np.ndarray[Any, Any], kp: float = 0.0) -> float:
    """Largest stable integral constant, by halving on the closed-loop poles."""
    from halfcycle.loop.step_response import spectral_radius  # noqa: PLC0415

    low, high = 1e-6, 10.0
    for _ in range(60):
        middle = (low + high) / 2
        stable = spectral_radius(taps, kp, middle)[0] < 1
        low, high = (middle, high) if stable else (low, middle)
    return low


def _critical(taps: np.ndarray[Any, Any]) -> float:
    """Largest integral constant whose slowest pole is still real."""
    from halfcycle.loop.step_response import closed_loop_poles  # noqa: PLC0415

    low, high = 1e-6, 1.0
    for _ in range(50):
        middle = (low + high) / 2
        poles = closed_loop_poles(taps, 0.0, middle)[0]
        real = abs(poles[np.abs(poles).argmax()].imag) < 1e-9
        low, high = (middle, high) if real else (low, middle)
    return low


def _ogata() -> np.ndarray[Any, Any]:
    """K/(s(s + 1)) held and sampled at T = 1, its integrator left to the controller."""
    from scipy import signal  # noqa: PLC0415

    top, bottom, _ = signal.cont2discrete(([1.0], [1.0, 1.0, 0.0]), 1.0, method="zoh")
    rest = np.polydiv(bottom, [1.0, -1.0])[0]
    return np.asarray(signal.lfilter(np.ravel(top)[1:], rest, np.eye(1, 60)[0]))[None, :]


def _control_margin() -> float:
    """python-control's phase margin of the three-weight loop below."""
    import control  # noqa: PLC0415

    return float(control.stability_margins(_three(control))[1])


def _control_peak() -> float:
    """Greatest |S| of the same loop on 200,001 frequencies of python-control."""
    import control  # noqa: PLC0415

    theta = np.linspace(1e-4, math.pi, 200_001)
    return float(np.abs(1 / (1 + _three(control)(np.exp(1j * theta)))).max())


_THREE = np.array([[0.6, 0.5, 0.1]])


def _three(control: Any) -> Any:
    top = np.convolve([0.35, -0.05], _THREE[0])
    return control.tf(top, np.convolve([1.0, -1.0], [1.0, 0.0, 0.0, 0.0]), 1.0)


def loops() -> list[Check]:
    """Stability, margins and discretisation."""
    from halfcycle.loop.discretise import ContinuousGains, to_window  # noqa: PLC0415
    from halfcycle.loop.frequency_response import margins  # noqa: PLC0415
    from halfcycle.loop.step_response import step_figures  # noqa: PLC0415

    gains = ContinuousGains(Fraction(1, 8), Fraction(17, 2))

    def tustin() -> float:
        from scipy.signal import cont2discrete  # noqa: PLC0415

        top, _, _ = cont2discrete(([0.125, 8.5], [1.0, 0.0]), 0.02, method="bilinear")
        return float(-np.ravel(top)[1])

    return [
        Check(
            "greatest integral constant, delay of 1",
            "by hand: z^d (1 - z) = K on the unit circle at the angle pi/(2d + 1), where K is "
            "2 sin(pi/(4d + 2))",
            2 * math.sin(math.pi / 6),
            lambda: _greatest_stable(_delay(1)),
            1e-9,
        ),
        Check(
            "greatest integral constant, delay of 2",
            "the same",
            2 * math.sin(math.pi / 10),
            lambda: _greatest_stable(_delay(2)),
            1e-9,
        ),
        Check(
            "critically damped, delay of 1",
            "by hand: the greatest z^d (1 - z) of a real z, d^d/(d + 1)^(d + 1)",
            1 / 4,
            lambda: _critical(_delay(1)),
            1e-6,
        ),
        Check(
            "critically damped, delay of 2",
            "the same",
            4 / 27,
            lambda: _critical(_delay(2)),
            1e-6,
        ),
        Check(
            "phase margin at constant 0.5, delay of 1",
            "90 deg - (1/2 + d) 2 asin(K/2), by hand",
            90 - 1.5 * math.degrees(2 * math.asin(0.25)),
            lambda: margins(_delay(1), 0.0, 0.5).phase_deg[0],
            1e-6,
            "deg",
        ),
        Check(
            "greatest integral constant with Kp = 0.4",
            "by hand: z = -1 is a root of the pure delay's polynomial at g(2 Kp + Ki) = 2",
            1.2,
            lambda: _greatest_stable(_delay(0), 0.4),
            1e-9,
        ),
        Check(
            "greatest gain of K/(s(s + 1)), T = 1",
            "Ogata, Discrete-Time Control Systems",
            2.392,
            lambda: _greatest_stable(_ogata()),
            1e-3,
        ),
        Check(
            "gain margin at z = -1, constant 0.5",
            "by hand, 2/K (python-control gives infinity here)",
            4.0,
            lambda: margins(_delay(0), 0.0, 0.5).gain[0],
            1e-9,
        ),
        Check(
            "phase margin, weights 0.6, 0.5, 0.1, Kp 0.05, Ki 0.3",
            "python-control, `stability_margins`",
            _control_margin,
            lambda: margins(_THREE, 0.05, 0.3).phase_deg[0],
            1e-5,
            "deg",
        ),
        Check(
            "Ms of the same loop",
            "python-control, 200,001 frequencies",
            _control_peak,
            lambda: margins(_THREE, 0.05, 0.3).peak[0],
            1e-6,
        ),
        Check(
            "windows to settle at constant 0.3",
            "the error is 0.7^n: first below 2 %",
            11,
            lambda: step_figures(_delay(0), 0.0, 0.3, np.array([True])).windows[0],
            0,
        ),
        Check(
            "trapezoidal Kp of 1/8 + 8.5/s at 20 ms",
            "scipy, `cont2discrete` bilinear",
            tustin,
            lambda: float(to_window(gains, Fraction(1, 50), "trapezoidal").proportional),
            1e-12,
        ),
        Check(
            "integral constant, 25 ms over 1 ms",
            PRACTICE,
            25,
            lambda: float(
                to_window(gains, Fraction(25, 1000)).integral_per_window
                / to_window(gains, Fraction(1, 1000)).integral_per_window
            ),
            0,
        ),
    ]


# --- plant and integers -------------------------------------------------------------------------


def _transfer() -> float:
    from halfcycle.loop.filter_model import FilterCircuit, inductive_load, modes  # noqa: PLC0415

    load = inductive_load("rated", 700, 230, 0.7, 50)
    circuit = FilterCircuit(1.2e-3, 10e-6, 0.25, load)
    return float(abs(modes([circuit], 2 * math.pi * 50).transfer[0]))


def _divider() -> float:
    """The same filter's transfer as a voltage divider of impedances."""
    w = 2 * math.pi * 50
    load = 230**2 / 700 * (0.7 + 1j * math.sqrt(1 - 0.49))
    return abs(1 / (1 + (0.25 + 1j * w * 1.2e-3) * (1 / load + 1j * w * 10e-6)))


def _rounding_differences() -> float:
    """Values of which apytypes' rounding, ties away from zero, differs."""
    import apytypes  # noqa: PLC0415

    from halfcycle.regulator import arithmetic  # noqa: PLC0415

    def theirs(value: int, shift: int) -> int:
        fixed = apytypes.APyFixed(value, int_bits=40, frac_bits=shift)
        mode = apytypes.QuantizationMode.RND_INF
        bits = fixed.cast(int_bits=40, frac_bits=0, quantization=mode).to_bits()
        return int(bits) - (1 << 40) if bits >= 1 << 39 else int(bits)

    return sum(
        arithmetic.round_shift_signed(value, shift) != theirs(value, shift)
        for shift in (0, 1, 3, 8)
        for value in range(-600, 601)
    )


def _root_differences() -> float:
    """Values whose root differs from Python's exact ``math.isqrt``, to nearest."""
    from halfcycle.regulator import arithmetic  # noqa: PLC0415

    rng = np.random.default_rng(1)
    values = [*range(3000), *(int(v) for v in rng.integers(0, 2**32, 3000)), 2**32 - 1]
    return sum(
        arithmetic.root(v) != math.isqrt(v) + (v > math.isqrt(v) * (math.isqrt(v) + 1))
        for v in values
    )


def plants_and_integers() -> list[Check]:
    """Filter, rounding, roots."""
    from halfcycle.quantise.signals import q_format  # noqa: PLC0415

    return [
        Check(
            "transfer of the cabin's filter under rated load, power factor 0.7",
            "divider of impedances, by hand",
            _divider,
            _transfer,
            1e-9,
        ),
        Check(
            "rounding to nearest, ties away, 4804 values: differences",
            "apytypes, mode `RND_INF`",
            0,
            _rounding_differences,
            0,
        ),
        Check(
            "square root to nearest, 6001 values: differences",
            "Python, `math.isqrt`",
            0,
            _root_differences,
            0,
        ),
        Check(
            "integer bits of a signed 16-bit word with 14 fraction bits",
            'TI\'s Q notation, sign not counted (Wikipedia, "Q (number format)"; Arm DUI0066 '
            "counts it and says 2)",
            1,
            lambda: float(q_format(True, 16, 14).removeprefix("sQ").split(".")[0]),
            0,
        ),
    ]


# --- the normalised law -------------------------------------------------------------------------


def _elasticity() -> float:
    """Slope of the clipped sine's RMS over its ratio to the drive, by mpmath."""
    import mpmath  # noqa: PLC0415

    def rms(drive: Any) -> Any:
        under = mpmath.quad(lambda x: (drive * mpmath.sin(x)) ** 2, [0, mpmath.asin(1 / drive)])
        return mpmath.sqrt((under + mpmath.pi / 2 - mpmath.asin(1 / drive)) * 2 / mpmath.pi)

    with mpmath.workdps(30):
        drive = mpmath.mpf("1.2")
        return float(drive * mpmath.diff(rms, drive) / rms(drive))


def _loop_gain_clipped() -> float:
    from halfcycle.loop.drive import reading_of_scale  # noqa: PLC0415

    reading, slope = reading_of_scale(np.array([1.2]), "rms")
    return float(1.2 * slope[0] / reading[0])


def _inverse_differences() -> float:
    from halfcycle.regulator.arithmetic import inverse_digit  # noqa: PLC0415

    wrong = 0
    for target in range(300, 32768, 7):
        quotient = 0
        for place in reversed(range(16)):
            quotient = inverse_digit(quotient, 1 << place, target, 24)
        wrong += quotient != (1 << 24) // target
    return wrong


def normalised() -> list[Check]:
    """The normalised law's gain where the sine clips, and 1/target."""
    return [
        Check(
            "gain of the loop at drive 1.2 over that below clipping, RMS",
            "mpmath, derivative of the quadrature at 30 digits",
            _elasticity,
            _loop_gain_clipped,
            1e-9,
        ),
        Check(
            "1/target digit by digit, 4638 targets: differences",
            "Python, exact division of integers",
            0,
            _inverse_differences,
            0,
        ),
    ]


TOPICS: dict[str, Callable[[], list[Check]]] = {
    "Clipped sine and meters": clipped,
    "Windows": windows,
    "Loop and gains": loops,
    "Filter and integers": plants_and_integers,
    "Normalised law": normalised,
}
