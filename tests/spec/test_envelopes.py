"""The published limits that a spec chooses: names, and outputs that they are not for."""

from __future__ import annotations

import pytest

from halfcycle.base.errors import Fault, InputError
from halfcycle.spec.envelopes import DEFAULT, ENVELOPES
from halfcycle.spec.load import parse_spec
from support.spec_text import changed_spec, changed_text


def fault_of(name: str = "peat_cabin", **keys: object) -> Fault:
    with pytest.raises(InputError) as caught:
        parse_spec(changed_text(name, **keys), "f.toml")
    (fault,) = caught.value.faults
    assert fault.key == "limits.envelopes"
    return fault


def test_the_default_leaves_a_spec_what_it_was() -> None:
    """Neither the digest, and with it the C, nor the list of what was left to defaults changes."""
    plain, said = changed_spec(), changed_spec(limits__envelopes=list(DEFAULT))
    assert plain.limits.envelopes == DEFAULT
    assert plain.digest() == said.digest()
    assert "limits.envelopes" not in dict(plain.defaulted())
    assert changed_spec(limits__envelopes=["ship-class"]).digest() != plain.digest()


def test_none_may_apply() -> None:
    assert changed_spec(limits__envelopes=[]).limits.envelopes == ()


def test_a_wrong_name_is_told_all_that_are_known() -> None:
    fault = fault_of(limits__envelopes=["iti-2000", "ship-clas"])
    assert "'ship-clas' is not a known name" in fault.problem
    assert 'did you mean "ship-class"?' in fault.remedy
    assert all(f'"{name}"' in fault.remedy for name in ENVELOPES)


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        (["iti-2000", "iti-2000"], "stands there twice"),
        ("iti-2000", "is not a list"),
        ([3], "3 is not a known name"),
    ],
)
def test_what_is_no_list_of_names_is_refused(value: object, problem: str) -> None:
    assert problem in fault_of(limits__envelopes=value).problem


def test_limits_of_aircraft_are_not_for_50_hz() -> None:
    fault = fault_of(limits__envelopes=["mil-std-704d-400hz"])
    assert fault.problem == "mil-std-704d-400hz is for 400 Hz, and output.frequency_hz is 50"
    assert "ship-class" in fault.remedy and "mil-std-704f" not in fault.remedy


def test_limits_in_volts_are_for_their_voltage() -> None:
    chosen = ["mil-std-704f-receptacle"]
    assert changed_spec("apron_cart", limits__envelopes=chosen).limits.envelopes == (*chosen,)
    fault = fault_of("apron_cart", limits__envelopes=chosen, output__rated_rms_v=120)
    assert "between 113 and 118 V, and output.rated_rms_v is 120" in fault.problem
