"""The clipped sine against quadrature, a describing function, instrument makers and FFT."""

from __future__ import annotations

import math

import control
import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.base import clipped_sine

DRIVES = [0.3, 1.0, 1.0001, 1.05, 1.2, 1.5, 4.0, 40.0]


def quadrature(drive: float) -> tuple[float, float, float]:
    """Fundamental, mean square and mean by numerical integration over a quarter cycle (mpmath)."""

    def wave(x: mpmath.mpf) -> mpmath.mpf:
        return min(drive * mpmath.sin(x), mpmath.mpf(1))

    knee = mpmath.asin(1 / mpmath.mpf(drive)) if drive > 1 else mpmath.pi / 4
    ends = [0, knee, mpmath.pi / 2]
    return (
        float(4 / mpmath.pi * mpmath.quad(lambda x: wave(x) * mpmath.sin(x), ends)),
        float(2 / mpmath.pi * mpmath.quad(lambda x: wave(x) ** 2, ends)),
        float(2 / mpmath.pi * mpmath.quad(wave, ends)),
    )


@pytest.mark.parametrize("drive", DRIVES)
def test_closed_forms_against_quadrature(drive: float) -> None:
    first, square, mean = quadrature(drive)
    assert clipped_sine.fundamental(drive) == pytest.approx(first, rel=1e-12)
    assert clipped_sine.mean_square(drive) == pytest.approx(square, rel=1e-12)
    assert clipped_sine.mean(drive) == pytest.approx(mean, rel=1e-12)


def test_fundamental_against_a_describing_function() -> None:
    # python-control: describing function of a saturation at +-1, amplitude 1.2.
    gain = control.describing_function(control.saturation_nonlinearity(1), 1.2)
    assert np.real(gain) == pytest.approx(0.9203950, abs=1e-6)
    assert clipped_sine.fundamental(1.2) == pytest.approx(1.2 * float(np.real(gain)), rel=1e-5)
    # Gelb & Vander Velde's closed form of the same (from memory), to full precision.
    exact = 2 / math.pi * (math.asin(1 / 1.2) + math.sqrt(1 - 1 / 1.44) / 1.2)
    assert clipped_sine.fundamental(1.2) == pytest.approx(1.2 * exact, rel=1e-14)


def test_figures_at_a_drive_of_1_2() -> None:
    # mpmath quadrature at 30 digits, done apart from this project.
    assert clipped_sine.fundamental(1.2) == pytest.approx(1.104474, abs=5e-7)
    assert clipped_sine.rms(1.2) == pytest.approx(0.783108, abs=5e-7)
    assert clipped_sine.mean(1.2) == pytest.approx(0.714517, abs=5e-7)
    assert clipped_sine.thd(1.2) == pytest.approx(0.07385, abs=5e-6)
    assert clipped_sine.reading_error(1.2) == pytest.approx(0.01344, abs=1e-5)


def test_average_responding_meters() -> None:
    # Instrument makers' tables: an average-responding meter reads a square wave 11.07 % high and a
    # triangle 3.81 % low.
    assert clipped_sine.mean_reading_error(1.0, 1.0) == pytest.approx(0.1107, abs=5e-5)
    assert clipped_sine.mean_reading_error(0.5, 1 / math.sqrt(3)) == pytest.approx(
        -0.0381, abs=5e-5
    )
    # A sine driven without limit is a square wave.
    assert clipped_sine.reading_error(1e9) == pytest.approx(0.1107, abs=5e-5)
    assert clipped_sine.fundamental(1e9) == pytest.approx(4 / math.pi, rel=1e-12)


@pytest.mark.parametrize("drive", [1.05, 1.1, 1.2, 1.5])
def test_distortion_by_fft_and_parseval(drive: float) -> None:
    count = 1 << 16
    x = np.clip(drive * np.sin(2 * np.pi * (np.arange(count) + 0.5) / count), -1, 1)
    lines = np.abs(np.fft.rfft(x)) * 2 / count
    assert clipped_sine.fundamental(drive) == pytest.approx(lines[1], rel=1e-8)
    assert clipped_sine.mean_square(drive) == pytest.approx((lines**2).sum() / 2, rel=1e-8)
    harmonics = math.sqrt((lines[2:] ** 2).sum())
    assert clipped_sine.thd(drive) == pytest.approx(harmonics / lines[1], rel=1e-6)
    assert clipped_sine.mean(drive) == pytest.approx(np.abs(x).mean(), rel=1e-8)


@given(st.floats(0.0, 200.0))
def test_inverses(drive: float) -> None:
    assert clipped_sine.drive_for_fundamental(clipped_sine.fundamental(drive)) == pytest.approx(
        drive, rel=1e-6, abs=1e-12
    )
    assert clipped_sine.drive_for_rms(clipped_sine.rms(drive)) == pytest.approx(
        drive, rel=1e-8, abs=1e-12
    )


@pytest.mark.parametrize("drive", [0.5, 1.01, 1.2, 3.0, 21.0])
def test_gains_against_numerical_derivatives(drive: float) -> None:
    # mpmath's numerical differentiation of the quadrature-tested curves.
    assert clipped_sine.rms_gain(drive) == pytest.approx(
        float(mpmath.diff(lambda m: clipped_sine.rms(float(m)), drive, h=1e-5)), rel=1e-5
    )
    assert clipped_sine.mean_gain(drive) == pytest.approx(
        float(mpmath.diff(lambda m: clipped_sine.mean(float(m)), drive, h=1e-5)), rel=1e-5
    )


def test_series_joins_the_closed_form() -> None:
    # The small-angle series takes over at t = 0.05, a drive of 20.008.
    edge = 1 / math.sin(0.05)
    below, above = (
        clipped_sine.mean_square(edge * (1 - 1e-9)),
        clipped_sine.mean_square(edge * (1 + 1e-9)),
    )
    assert above == pytest.approx(below, rel=1e-9)
    assert clipped_sine.mean_square(1000.0) == pytest.approx(quadrature(1000.0)[1], rel=1e-13)


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_bad_drives(bad: float) -> None:
    for function in (
        clipped_sine.fundamental,
        clipped_sine.rms,
        clipped_sine.thd,
        clipped_sine.rms_gain,
    ):
        with pytest.raises(ValueError, match="drive"):
            function(bad)


def test_amplitudes_out_of_reach() -> None:
    for value in (4 / math.pi, 1.3, -0.1, math.nan):
        with pytest.raises(ValueError, match=r"outside|not reached"):
            clipped_sine.drive_for_fundamental(value)
    for value in (1.0, 1.1, -0.1):
        with pytest.raises(ValueError, match=r"outside|not reached"):
            clipped_sine.drive_for_rms(value)


@pytest.mark.parametrize("drive", [0.5, 1.0, 1.05, 1.2, 2.5])
def test_harmonics_by_fft_and_parseval(drive: float) -> None:
    turn = 2 * np.pi * np.arange(1 << 16) / (1 << 16)
    found = np.fft.rfft(np.clip(drive * np.sin(turn), -1, 1)) / (1 << 15)
    for order in (3, 5, 7, 15, 25):
        assert clipped_sine.harmonic(drive, order) == pytest.approx(-found[order].imag, abs=1e-8)
    # Parseval: the harmonics' squares add up to the distortion's.
    power = sum(clipped_sine.harmonic(drive, order) ** 2 for order in range(3, 4001, 2))
    assert math.sqrt(power) / clipped_sine.fundamental(drive) == pytest.approx(
        clipped_sine.thd(drive), abs=1e-8
    )


@pytest.mark.parametrize("order", [-1, 0, 1, 2, 4])
def test_even_orders_and_the_fundamental_are_no_harmonics(order: int) -> None:
    with pytest.raises(ValueError, match="odd order"):
        clipped_sine.harmonic(1.2, order)
