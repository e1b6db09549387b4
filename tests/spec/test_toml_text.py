"""A spec's values as text, held against the standard library's TOML reader."""

from __future__ import annotations

import tomllib
from fractions import Fraction as F

import pytest

from halfcycle.spec.models import Value
from halfcycle.spec.toml_text import literal, plain_value, value_text


@pytest.mark.parametrize(
    ("value", "reads", "plain"),
    [
        (F("0.22"), "0.22", "0.22"),
        (F(25), "25", "25"),
        (F(50, 3), "50/3", "50/3"),
        (12, "12", 12),
        (True, "true", True),
        ("mean", "mean", "mean"),
    ],
)
def test_a_value_reads_as_its_text(value: Value, reads: str, plain: object) -> None:
    assert value_text(value) == reads
    assert plain_value(value) == plain
    read = tomllib.loads(f"x = {literal(value)}", parse_float=F)["x"]
    assert read == (reads if "/" in reads else value)


def test_a_number_with_many_digits_is_a_fraction_in_toml() -> None:
    """Sixteen characters are more than MAX_DECIMAL: quoted, so that no reader rounds it."""
    value = F("0.12345678901234")
    assert literal(value) == f'"{value.numerator}/{value.denominator}"'
