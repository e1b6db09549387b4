"""Rules between keys run if their keys are there, and say which these are.

Bug: with a faulty file every AttributeError of a rule was swallowed, so that a broken rule was
silent.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from halfcycle.spec import cross_checks
from halfcycle.spec.cross_checks import CHECKS, CrossCheck, clashes
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec, Table
from support.goldens import scenarios
from support.paths import SPECS


class Recorder:
    """A Spec that notes which keys are read."""

    def __init__(self, table: Table, keys: set[str], prefix: str = "") -> None:
        self._table, self._keys, self._prefix = table, keys, prefix

    def __getattr__(self, name: str) -> Any:
        derived = getattr(type(self._table), name, None)
        if isinstance(derived, property) and derived.fget:
            return derived.fget(self)
        value = getattr(self._table, name)
        if isinstance(value, Table):
            return Recorder(value, self._keys, f"{self._prefix}{name}.")
        self._keys.add(self._prefix + name)
        return value


def changed(spec: Spec) -> list[Spec]:
    """``spec``, and ones with a clash each, so that the other branches of the rules are run."""
    changes: list[dict[str, dict[str, Any]]] = [
        {},
        {"loop": {"half_cycles": 9999}},
        {"loop": {"half_cycles": 2}},
        {"bridge": {"bus_min_v": spec.bridge.bus_max_v + 1}},
        {"bridge": {"bus_nominal_v": spec.bridge.bus_max_v / 9}},
        {"bridge": {"pwm_period_us": spec.loop.period_us + 1}},
        {"sensor": {"zero_code": 2**spec.sensor.adc_bits}},
        {"sensor": {"zero_tolerance_codes": spec.sensor.zero_tolerance_codes + 9999}},
        {"sensor": {"volts_per_code": spec.sensor.volts_per_code / 9}},
        {"loop": {"half_cycles": 2, "weighting": "shaped"}},
        {"loop": {"half_cycles": 2, "samples": 3}},
        {"loop": {"samples": 7, "updates_per_window": 3}},
        {"loop": {"samples": 7, "update_within_us": Fraction(9_999_999)}},
        {"loop": {"half_cycles": 2, "update_within_us": Fraction(9_999_999)}},
    ]
    return [
        spec.model_copy(
            update={
                table: getattr(spec, table).model_copy(update=values)
                for table, values in change.items()
            }
        )
        for change in changes
    ]


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.rule.__name__)
def test_each_rule_declares_all_that_it_reads(check: CrossCheck) -> None:
    keys: set[str] = set()
    for path in (*SPECS, *scenarios()):
        for spec in changed(load_spec(path)):
            list(check.rule(Recorder(spec, keys)))  # type: ignore[arg-type]
    assert keys == set(check.keys)
    given = {key for path in (*SPECS, *scenarios()) for key in load_spec(path).values()}
    # A table that may be left out is asked for as a whole.
    assert check.keys and set(check.keys) - {"bus_sensor"} <= given


def test_a_broken_rule_is_not_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    @cross_checks.reads("output.frequency_hz")
    def broken(spec: Spec):
        yield spec.output.no_such_key  # type: ignore[attr-defined]

    monkeypatch.setattr(cross_checks, "CHECKS", (broken,))
    with pytest.raises(AttributeError):
        list(clashes(load_spec(SPECS[0]), partial=True))


def test_a_rule_without_its_keys_is_left_out() -> None:
    spec = load_spec(SPECS[0])
    bus = next(check for check in CHECKS if check.rule.__name__ == "bus_order")
    assert bus.applies(spec)
    del spec.bridge.__dict__["bus_max_v"]
    assert not bus.applies(spec) and list(clashes(spec, partial=True)) == []
