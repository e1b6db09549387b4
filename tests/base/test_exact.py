"""Exact numbers from text. Source of the expected values: arithmetic, unless a test says more."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.base import exact


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("50/3", Fraction(50, 3)),
        ("0.22", Fraction(11, 50)),
        (" 1_000.5 ", Fraction(2001, 2)),
        ("1e-6", Fraction(1, 10**6)),
        ("-2.5 / 0.5", Fraction(-5)),
        (0.1, Fraction(1, 10)),
        (60, Fraction(60)),
        (exact.NumberText("800.125"), Fraction(6401, 8)),
    ],
)
def test_good_numbers(written: object, value: Fraction) -> None:
    assert exact.fraction(written) == value


@pytest.mark.parametrize(
    "written",
    [True, False, math.nan, math.inf, -math.inf, "nan", "+inf", "50/0", "0/0", "1/0.0", "", " ",
     "1/2/3", "50 Hz", "0x10", "1__0", "1_", ".5", "5.", "1e31", "1e999999999", "9" * 61, 10**60,
     "٣", "1\n2", None, [], {}, exact.NumberText("nan"), exact.NumberText("-inf")],
)  # fmt: skip
def test_refused(written: object) -> None:
    with pytest.raises(exact.NotANumberError):
        exact.fraction(written)


@given(st.text())
def test_any_text_is_a_number_or_is_refused(written: str) -> None:
    try:
        value = exact.fraction(written)
    except exact.NotANumberError as error:
        assert str(error).isprintable()
    else:
        # Oracle: Python's own parsers on the two sides of the slash.
        top, _, bottom = written.partition("/")
        assert value == Fraction(Decimal(top.strip())) / Fraction(Decimal(bottom.strip() or "1"))


@given(
    st.decimals(
        allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=6
    )
)
def test_decimal_text_is_exact(number: Decimal) -> None:
    assert exact.fraction(f"{number:f}") == Fraction(number)


@given(st.fractions(max_denominator=10**6).filter(lambda x: abs(x) < 10**9))
def test_text_reads_back(value: Fraction) -> None:
    assert exact.fraction(exact.text(value)) == value


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (Fraction(230), "230"),
        (Fraction(11, 50), "0.22"),
        (Fraction(-1, 8), "-0.125"),
        (Fraction(50, 3), "50/3"),
    ],
)
def test_text(value: Fraction, written: str) -> None:
    assert exact.text(value) == written
