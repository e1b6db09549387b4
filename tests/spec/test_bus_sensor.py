"""The bus sensor's keys: what contradicts what, each with the key to change."""

from __future__ import annotations

import cmath
import math

import pytest

from halfcycle.base.errors import InputError
from halfcycle.spec.bus_sensor import code_range, lag_s, ripple_left
from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from support import measured

TEXT = measured.SPEC.read_text(encoding="utf-8")


def spec(*changes: tuple[str, str]) -> Spec:
    text = TEXT
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return parse_spec(text, "x.toml")


FAULTS = {
    "bus_sensor.volts_per_code": [("volts_per_code = 0.13", "volts_per_code = 5")],
    "bridge.bus_min_v": [("bus_min_v = 360", "bus_min_v = 205")],
    "bridge.scale_max": [
        ("scale_max = 1.1", "scale_max = 1.2"),
        ("bus_max_v = 440", "bus_max_v = 640"),
        ("volts_per_code = 0.13", "volts_per_code = 0.2"),
    ],
    "bus_sensor.period_us": [("\nperiod_us = 50\n", "\nperiod_us = 600\n")],
    "bus_sensor.delay_us": [("\nperiod_us = 50\n", "\nperiod_us = 50\ndelay_us = 1700\n")],
}


@pytest.mark.parametrize("key", FAULTS)
def test_a_contradiction_names_its_key(key: str) -> None:
    with pytest.raises(InputError) as caught:
        spec(*FAULTS[key])
    assert [fault.key for fault in caught.value.faults] == [key]


def test_a_converter_that_ends_too_low_is_a_fault() -> None:
    with pytest.raises(InputError) as caught:
        spec(("volts_per_code = 0.13", "volts_per_code = 0.11"))
    assert "told from a bus" in str(caught.value.faults[0])


def test_an_unknown_key_of_it_is_named_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        spec(("noise_codes_rms = 1\nperiod_us", "noise_codes = 1\nperiod_us"))
    assert "noise_codes_rms" in str(caught.value.faults[0])


def test_its_period_is_the_loops_unless_said() -> None:
    own = spec(("\nperiod_us = 50\n", "\n"))
    assert own.bus_period_s == own.loop.period_us / 1_000_000
    assert "bus_sensor.period_us" in dict(own.defaulted())


def test_the_codes_that_count_as_read() -> None:
    """Half of the lowest bus or of the nominal, the greater one, to a quarter above the highest."""
    codes = code_range(spec())
    assert codes.read_low == math.floor(400 / 0.13 / 2) + 1
    assert codes.high == math.ceil(440 / 0.13 * 1.01 * 1.05 + 4)
    assert codes.high < codes.read_high < 4095


@pytest.mark.parametrize(
    ("period", "delay", "low", "high"),
    [(50, 0, 0.01, 0.02), (50, 50, 0.04, 0.06), (1000, 0, 0.3, 0.35), (1000, 1000, 0.9, 1.0)],
)
def test_what_is_left_of_a_ripple(period: int, delay: int, low: float, high: float) -> None:
    """Against the sum over a period of what a held value misses of a turning phasor."""
    one = spec(
        ("period_us = 500\n", "period_us = 1000\n"),
        ("\nperiod_us = 50\n", f"\nperiod_us = {period}\ndelay_us = {delay}\n"),
    )
    assert low < ripple_left(one) < high
    points = 2000
    held = sum(
        cmath.exp(-2j * math.pi * 100 * (delay + period * (n + 0.5) / points) * 1e-6)
        for n in range(points)
    )
    assert ripple_left(one) == pytest.approx(abs(1 - held / points), abs=1e-6)
    assert float(lag_s(one)) == pytest.approx((delay + period / 2) * 1e-6)
