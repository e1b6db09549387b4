"""Edits of a spec keep everything but the values: comments, order, line ends, spelling."""

from __future__ import annotations

import difflib
from fractions import Fraction as F
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfcycle.base.errors import InputError
from halfcycle.spec.edit import edit_file, edit_text
from halfcycle.spec.load import load_spec, parse_spec
from halfcycle.spec.toml_text import literal
from support.paths import SPECS as EXAMPLES

BASE = next(path for path in EXAMPLES if path.stem == "peat_cabin").read_text("utf-8")
SPACED = BASE.replace(
    "volts_per_code = 0.22", "volts_per_code   =  0.22   # measured in spring, 12 boards"
)


def changed_lines(before: str, after: str) -> list[str]:
    lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in lines if line[0] in "+-" and line[:3] not in ("+++", "---")]


def test_one_value_changes_one_line() -> None:
    after = edit_text(SPACED, {"sensor.volts_per_code": F("0.2213")})
    assert changed_lines(SPACED, after) == [
        "-volts_per_code   =  0.22   # measured in spring, 12 boards",
        "+volts_per_code   =  0.2213   # measured in spring, 12 boards",
    ]


def test_there_and_back_is_the_same_text() -> None:
    there = edit_text(SPACED, {"loop.period_us": 1000, "sensor.volts_per_code": F(1, 4)})
    back = edit_text(there, {"loop.period_us": 800, "sensor.volts_per_code": F("0.22")})
    assert back == SPACED


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_same_values_change_nothing(path: Path) -> None:
    text = path.read_text("utf-8")
    spec = parse_spec(text, "x")
    given_keys = dict(spec.values())
    for key, _ in spec.defaulted():
        del given_keys[key]
    assert parse_spec(edit_text(text, given_keys), "x").values() == spec.values()


def test_new_keys_and_tables_come_in() -> None:
    after = edit_text(BASE, {"gains.integral_per_s": F(8), "bridge.bus_resistance_ohm": F("0.05")})
    spec = parse_spec(after, "x")
    assert spec.gains is not None and spec.gains.integral_per_s == 8
    assert spec.bridge.bus_resistance_ohm == F(1, 20)
    removed = edit_text(after, {"bridge.bus_resistance_ohm": None, "gains": None})
    assert parse_spec(removed, "x").values() == parse_spec(BASE, "x").values()
    assert edit_text(BASE, {"gains.proportional": None}) == BASE


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_mark_stay(tmp_path: Path, ends: str, mark: str) -> None:
    path = tmp_path / "hut.toml"
    path.write_bytes((mark + BASE.replace("\n", ends)).encode())
    spec = edit_file(path, {"sensor.zero_code": 2051, "gains.integral_per_s": F(7)})
    assert spec == load_spec(path)
    text = path.read_bytes().decode()
    assert text.startswith(mark + "#")
    assert text.count("\n") == text.count(ends)
    start = (mark + BASE.replace("\n", ends)).replace("zero_code = 2048", "zero_code = 2051")
    assert text.startswith(start)


@pytest.mark.parametrize(
    "layout",
    [
        "sensor = { adc_bits = 12, zero_code = 2048, volts_per_code = 0.22, "
        "zero_tolerance_codes = 6 }\n",
        "sensor.adc_bits = 12\nsensor.zero_code = 2048 # zero\nsensor.volts_per_code = '0.22'\n"
        "sensor.zero_tolerance_codes = 6\n",
    ],
)
def test_other_layouts_of_a_table(layout: str) -> None:
    start, end = BASE.index("[sensor]"), BASE.index("[bridge]")
    text = BASE[:start] + BASE[end:]
    text = text.replace('name = "peat_cabin"\n', f'name = "peat_cabin"\n{layout}')
    after = edit_text(text, {"sensor.volts_per_code": F("0.23"), "sensor.zero_code": 2050})
    spec = parse_spec(after, "x")
    assert (spec.sensor.volts_per_code, spec.sensor.zero_code) == (F("0.23"), 2050)
    assert len(changed_lines(text, after)) <= 4


def test_a_clash_leaves_the_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "hut.toml"
    path.write_text(BASE)
    with pytest.raises(InputError, match=r"sensor\.volts_per_code"):
        edit_file(path, {"sensor.volts_per_code": F(1, 100)})
    with pytest.raises(InputError, match="unknown key"):
        edit_file(path, {"sensor.volts": F(1)})
    assert path.read_text() == BASE
    path.write_text("name = \n")
    with pytest.raises(InputError, match="line 1"):
        edit_file(path, {"sensor.zero_code": 2050})


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (F(1, 4), "0.25"),
        (F(800), "800"),
        (F(50, 3), '"50/3"'),
        (F(1, 3 * 10**9), '"1/3000000000"'),
        (F(1, 10**9), "0.000000001"),
        (F(12345678, 10**15), '"6172839/500000000000000"'),
        (25, "25"),
        (True, "true"),
        ("rms", '"rms"'),
    ],
)
def test_literals(value: Any, text: str) -> None:
    assert literal(value) == text


@settings(deadline=None, max_examples=60)
@given(
    st.fractions(min_value=F(1, 5), max_value=2, max_denominator=10**7),
    st.integers(1900, 2200),
)
def test_any_value_is_written_exactly(volts: F, zero: int) -> None:
    try:
        after = edit_text(SPACED, {"sensor.volts_per_code": volts, "sensor.zero_code": zero})
    except InputError as error:
        assert error.faults[0].key == "sensor.volts_per_code"  # The peak no longer fits the ADC.
        return
    spec = parse_spec(after, "x")
    assert (spec.sensor.volts_per_code, spec.sensor.zero_code) == (volts, zero)
    assert "# measured in spring, 12 boards" in after
