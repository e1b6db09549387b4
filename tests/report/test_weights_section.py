"""Weights of blocks on the page: against scipy's frequency response; words that fit the kind."""

from __future__ import annotations

import re
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import freqz

from halfcycle.report import derive_measuring, window_section
from halfcycle.report.weights_section import (
    MULTIPLES,
    response,
    response_figure,
    weights_figure,
)
from halfcycle.windows.sample_weights import sample_weights
from halfcycle.windows.search import Window

SHAPED = Window(
    2, 17, Fraction(60), Fraction(1, 1000),
    (26, 28, 29, 29, 29, 30, 31, 29, 27, 29, 31, 30, 29, 29, 29, 28, 26), 17,
)  # fmt: skip
FLAT = Window(3, 25, Fraction(60), Fraction(1, 1000), (1,) * 5, 5)


def design(window: Window) -> SimpleNamespace:
    loop = SimpleNamespace(measure="rms")
    spec = SimpleNamespace(loop=loop)
    return SimpleNamespace(window=window, spec=spec)


@pytest.mark.parametrize("window", [SHAPED, FLAT])
def test_response_is_that_of_a_filter_with_these_taps(window: Window) -> None:
    """scipy.signal.freqz of the samples' weights."""
    hertz = np.linspace(0, 480, 97)
    _, wanted = freqz(sample_weights(window), worN=hertz, fs=1000.0)
    assert response(window, hertz) == pytest.approx(np.abs(wanted), abs=1e-12)


def test_the_zeros_that_the_weights_were_made_for_are_shown() -> None:
    """Zeros at f, 2f and 4f: what whole weights leave is below 1e-3 at f and 4f, 1e-4 at 2f."""
    caption = response_figure(design(SHAPED)).caption  # type: ignore[arg-type]
    shares = re.findall(r"(\d)f ([0-9.]+)\s%", caption)
    sizes = {int(m): float(percent) / 100 for m, percent in shares}
    assert set(sizes) >= set(MULTIPLES)
    assert sizes[2] < 1e-4 and sizes[1] < 1e-3 and sizes[4] < 2e-3 < sizes[6]


def test_weights_are_listed_with_the_kind() -> None:
    figure = weights_figure(design(SHAPED))  # type: ignore[arg-type]
    assert figure.caption.startswith("Moving shaped: 17 blocks, samples in each: 1, updates per")
    assert "their sum is 489." in figure.caption
    assert figure.svg.startswith("<svg")


def test_a_shaped_window_is_not_derived_as_a_whole_one() -> None:
    given = SimpleNamespace(design=design(SHAPED))
    derived = derive_measuring.window(given)  # type: ignore[arg-type]
    assert derived.title == "A window with weights"
    assert derive_measuring.window(SimpleNamespace(design=design(FLAT))).title == (  # type: ignore[arg-type]
        "A window that is whole"
    )
    assert "weighted mean square" in window_section.shape_note(design(SHAPED))  # type: ignore[arg-type]
