"""The spec file: exact values, defaults, digest, and every fault at once with its key."""

from __future__ import annotations

import math
import re
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from halfcycle.base.errors import Fault, InputError
from halfcycle.spec import schema
from halfcycle.spec.cross_checks import clipped_rms
from halfcycle.spec.load import load_spec, parse_spec
from halfcycle.spec.models import Spec
from support.paths import SPECS as EXAMPLES
from support.paths import example
from support.schemas import ACCEPT

BASE = example("peat_cabin").read_text("utf-8")


def changed(**keys: Any) -> str:
    """The base spec with dotted keys (table__key) set; ``None`` removes the key."""
    document: Any = tomlkit.parse(BASE)
    for dotted, value in keys.items():
        table, _, key = dotted.partition("__")
        place = document.setdefault(table, tomlkit.table()) if key else document
        if value is None:
            del place[key or table]
        else:
            place[key or table] = value
    return str(tomlkit.dumps(document))


def faults_of(text: str) -> dict[str, Fault]:
    with pytest.raises(InputError) as caught:
        parse_spec(text, "hut.toml")
    for fault in caught.value.faults:
        assert fault.file == "hut.toml"
        assert fault.problem and fault.remedy
        assert str(fault).isprintable()  # one line
    return {fault.key: fault for fault in caught.value.faults}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_are_good(path: Path) -> None:
    spec = load_spec(path)
    assert spec.name == path.stem


def test_examples_cover_what_users_build() -> None:
    specs = [load_spec(path) for path in EXAMPLES]
    assert {s.output.frequency_hz for s in specs} >= {50, 60, 400, Fraction(50, 3)}
    assert {s.loop.measure for s in specs} == {"mean", "rms"}
    assert {(s.arithmetic.word_bits, s.loop.measure) for s in specs} >= {(16, "rms"), (32, "rms")}
    assert any(s.sensor.adc_bits >= 14 and s.loop.period_us == 50 for s in specs)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_examples_are_sound_circuits(path: Path) -> None:
    """Phasors: the heaviest load at the lowest bus needs no more drive than the limit, and the
    filter's resonance lies well above the mains (common practice, no source)."""
    s = load_spec(path)
    w = 2 * math.pi * float(s.output.frequency_hz)
    henry, farad = float(s.filter.inductance_uh) * 1e-6, float(s.filter.capacitance_uf) * 1e-6
    assert 1 / math.sqrt(henry * farad) > 10 * w
    volts, pf = float(s.output.rated_rms_v), float(s.load.lowest_power_factor)
    load = float(s.load.rated_va) / volts**2 * complex(pf, -math.sqrt(1 - pf**2))
    worst_henry = henry * (1 + float(s.filter.inductance_tolerance_percent) / 100)
    series = complex(float(s.filter.winding_resistance_ohm), w * worst_henry)
    bridge_peak = abs(1 + series * (1j * w * farad + load)) * volts * math.sqrt(2)
    assert bridge_peak <= float(s.bridge.bus_min_v) * min(1.0, float(s.bridge.scale_max))


def test_values_are_exact() -> None:
    spec = parse_spec(changed(output__frequency_hz="50/3", loop__period_us=1000), "f")
    assert spec.output.frequency_hz == Fraction(50, 3)
    assert spec.sensor.volts_per_code == Fraction(22, 100)
    assert type(spec.bridge.scale_max) is Fraction
    assert spec.sensor.adc_bits == 12 and type(spec.sensor.adc_bits) is int


def test_frozen() -> None:
    spec = parse_spec(BASE, "f")
    with pytest.raises(ValidationError):
        spec.output.frequency_hz = Fraction(60)


def test_defaults_are_listed() -> None:
    spec = parse_spec(changed(arithmetic=None), "f")
    left = dict(spec.defaulted())
    assert left["arithmetic.word_bits"] == 32
    assert left["load.lowest_power_factor"] == Fraction(7, 10)
    assert "loop.period_us" not in left and "bridge.scale_max" not in left
    stated = changed(**{k.replace(".", "__"): float(v) if isinstance(v, Fraction) else v
                        for k, v in left.items()})  # fmt: skip
    whole = parse_spec(stated, "f")
    assert whole.defaulted() == ()
    assert whole.digest() == spec.digest()


def test_digest_ignores_comments_order_and_spelling() -> None:
    tables = BASE.split("\n\n")
    shuffled = "\n\n".join([tables[0], *reversed(tables[1:])])
    respelled = shuffled.replace("= 800", "= '8e2'  # x").replace("= 2048", "= 0x800")
    assert respelled.count("0x800") == 1 and "8e2" in respelled
    assert parse_spec(respelled, "other").digest() == parse_spec(BASE, "f").digest()
    assert re.fullmatch("[0-9a-f]{64}", parse_spec(BASE, "f").digest())


def test_digest_sees_every_value() -> None:
    spec = parse_spec(BASE, "f")
    seen = {spec.digest()}
    for dotted, value in spec.values().items():
        other = f"{value}x" if isinstance(value, str) else value + 1
        table, _, key = dotted.rpartition(".")
        update = {key: other}
        if table:
            update = {table: getattr(spec, table).model_copy(update=update)}
        seen.add(spec.model_copy(update=update).digest())
    assert len(seen) == 1 + len(spec.values())


KEYS = sorted(key for key in parse_spec(BASE, "f").values() if key != "name")


@pytest.mark.parametrize("key", KEYS)
@pytest.mark.parametrize("value", [math.nan, math.inf, "50/0", "junk", [1], 1e30, -1])
def test_nonsense_is_refused_at_every_key(key: str, value: Any) -> None:
    assert key in faults_of(changed(**{key.replace(".", "__"): value}))


@pytest.mark.parametrize(
    "key", [k for k in KEYS if k not in {"loop.accept_partial_window", "sensor.track_zero"}]
)
def test_booleans_are_no_numbers(key: str) -> None:
    assert key in faults_of(changed(**{key.replace(".", "__"): True}))


@pytest.mark.parametrize("key", ["sensor.adc_bits", "sensor.zero_code", "bridge.pwm_counts"])
@pytest.mark.parametrize("value", ["12", 12.0])
def test_whole_numbers_stay_whole(key: str, value: Any) -> None:
    assert key in faults_of(changed(**{key.replace(".", "__"): value}))


def test_every_fault_at_once() -> None:
    text = changed(
        name="volatile",
        output__frequency_hz="50/0",
        loop__measure="rm",
        sensor__volts_per_code=0.1,  # a clash, found although other keys are faulty
        filter__inductance_uh=None,
        filter__inductanze_uh=3,
        lod=4,
        gains=3,
    )
    faults = faults_of(text)
    assert set(faults) == {
        "name",
        "output.frequency_hz",
        "loop.measure",
        "sensor.volts_per_code",
        "filter.inductance_uh",
        "filter.inductanze_uh",
        "lod",
        "gains",
    }
    assert "filter.inductance_uh" in faults["filter.inductanze_uh"].remedy
    assert "load" in faults["lod"].remedy
    assert "uH" in faults["filter.inductance_uh"].remedy


def test_a_faulty_key_is_not_judged_by_its_default() -> None:
    """310 V gives 230 V only where drive may exceed 1.0, and the limit is what was mistyped."""
    bus = {"bridge__bus_min_v": 300, "bridge__bus_nominal_v": 310}
    assert set(faults_of(changed(**bus, bridge__scale_max=1))) == {"bridge.bus_nominal_v"}
    assert set(faults_of(changed(**bus, bridge__scale_max="1,2"))) == {"bridge.scale_max"}


@pytest.mark.parametrize(
    ("keys", "nearest"),
    [
        ({"loop__periode_us": 3}, "loop.period_us"),
        ({"output__inductance_uh": 3}, "filter.inductance_uh"),
        ({"frequency_hz": 3}, "output.frequency_hz"),
        ({"arithmetic__delay_us": 3}, "sensor.delay_us"),
        ({"fliter": {"a": 1}}, "filter"),
    ],
)
def test_unknown_keys_name_the_nearest(keys: dict[str, Any], nearest: str) -> None:
    (fault,) = faults_of(changed(**keys)).values()
    assert "unknown" in fault.problem
    assert f"is {nearest};" in fault.remedy


@pytest.mark.parametrize(
    ("key", "keys"),
    [
        ("bridge.bus_min_v", {"bridge__bus_min_v": 430}),
        ("bridge.bus_nominal_v", {"bridge__bus_nominal_v": 340}),
        ("bridge.bus_nominal_v", {"bridge__bus_nominal_v": 421}),
        ("sensor.zero_code", {"sensor__adc_bits": 11}),
        ("sensor.zero_code", {"sensor__zero_code": 4095}),
        ("sensor.zero_tolerance_codes", {"sensor__zero_tolerance_codes": 2047}),
        ("sensor.volts_per_code", {"sensor__zero_code": 1000}),
        ("sensor.volts_per_code", {"sensor__zero_code": 3100}),
        ("loop.longest_window_ms", {"loop__longest_window_ms": 9.99}),
        ("loop.half_cycles", {"loop__half_cycles": 13}),
        ("loop.half_cycles", {"loop__half_cycles": 8, "loop__period_us": 1}),
        ("loop.period_us", {"loop__period_us": 2501}),
        ("loop.period_us", {"loop__period_us": 1, "output__frequency_hz": 5,
                            "loop__longest_window_ms": 200}),
        ("targets.settling_ms", {"targets__settling_ms": 9.9}),
        ("output.frequency_tolerance_hz", {"output__frequency_tolerance_hz": 6}),
        ("sensor.delay_us", {"sensor__delay_us": 10000}),
        ("bridge.scale_max", {"bridge__scale_max": 1.21}),
        ("load.lowest_power_factor", {"load__lowest_power_factor": 0}),
        ("load.lightest_percent", {"load__lightest_percent": 101}),
        ("loop.half_cycles", {"loop__half_cycles": 0}),
        ("arithmetic.word_bits", {"arithmetic__word_bits": 8}),
        ("targets.settling_ms", {"targets__settling_ms": "quickest"}),
        ("targets.peak_sensitivity", {"targets__peak_sensitivity": 1}),
        ("output.dc_percent", {"output__dc_percent": 0}),
        ("loop.samples", {"loop__samples": 151}),
        ("loop.samples", {"loop__samples": 2, "loop__weighting": "shaped"}),
        ("loop.samples", {"loop__samples": 24, "loop__half_cycles": 2}),
        ("loop.updates_per_window", {"loop__samples": 25, "loop__updates_per_window": 4}),
        ("loop.updates_per_window", {"loop__samples": 25, "loop__updates_per_window": 26}),
        ("loop.updates_per_window", {"loop__updates_per_window": 65}),
        ("loop.update_within_us", {"loop__update_within_us": 4001, "loop__samples": 25,
                                   "loop__updates_per_window": 5}),
        ("loop.update_within_us", {"loop__update_within_us": 10000, "loop__half_cycles": 2,
                                   "loop__updates_per_window": 5}),
        ("loop.update_within_us", {"loop__update_within_us": 10000,
                                   "loop__longest_window_ms": "9.999"}),
    ],
)  # fmt: skip
def test_clashes(key: str, keys: dict[str, Any]) -> None:
    assert key in faults_of(changed(**keys))


@pytest.mark.parametrize(
    "keys",
    [
        {"loop__longest_window_ms": 10},
        {"loop__half_cycles": 12},
        {"loop__period_us": 2500},
        {"targets__settling_ms": 10},
        {"bridge__scale_max": 1.2},
        {"load__lowest_power_factor": 1},
        {"targets__ramp_ms": 0},
        {"targets__settling_ms": "fastest"},
        {"loop__samples": 25, "loop__half_cycles": 2},
        {"loop__samples": 25, "loop__updates_per_window": 5, "loop__update_within_us": 4000},
        {"loop__samples": 3, "loop__weighting": "shaped"},
        {"loop__samples": 150},
        {"loop__half_cycles": 2, "loop__weighting": "flat"},
        {"loop__update_within_us": 0},
    ],
)
def test_edges_are_allowed(keys: dict[str, Any]) -> None:
    parse_spec(changed(**keys), "f")


def least(fault: Fault) -> float:
    """The figure that a remedy asks for."""
    return float(re.findall(r"at least ([0-9.]+)", fault.remedy)[0])


def test_remedies_are_enough() -> None:
    """What the message asks for is accepted, and just below it is not."""
    need = least(faults_of(changed(sensor__volts_per_code=0.1))["sensor.volts_per_code"])
    # Closed form: sqrt(2) * 230 * 1.01 over 2047 - 6 codes.
    assert need == pytest.approx(math.sqrt(2) * 230 * 1.01 / 2041, rel=1e-3)
    parse_spec(changed(sensor__volts_per_code=need), "f")
    faults_of(changed(sensor__volts_per_code=need * 0.998))
    low = {"bridge__bus_min_v": 200, "bridge__bus_nominal_v": 250}
    need = least(faults_of(changed(**low))["bridge.bus_nominal_v"])
    parse_spec(changed(**{**low, "bridge__bus_nominal_v": need}), "f")
    faults_of(changed(**{**low, "bridge__bus_nominal_v": need * 0.998}))
    unclipped = faults_of(changed(**low, bridge__scale_max=1.0))["bridge.bus_nominal_v"]
    assert "bridge.scale_max" in unclipped.remedy


def test_a_remedy_names_the_nearest_that_can_be_had() -> None:
    """Each figure that a remedy offers is accepted in its place."""
    split = {"loop__samples": 25, "loop__updates_per_window": 4}
    remedy = faults_of(changed(**split))["loop.updates_per_window"].remedy
    assert "1 or 5;" in remedy and "samples = 24 or 28" in remedy
    for keys in ({"loop__updates_per_window": 5}, {"loop__samples": 24}, {"loop__samples": 28}):
        parse_spec(changed(**{**split, **keys}), "f")
    both = {"loop__samples": 26, "loop__half_cycles": 2}
    assert "ask for 25," in faults_of(changed(**both))["loop.samples"].remedy  # 20 ms of 800 us
    late = {"loop__samples": 25, "loop__updates_per_window": 5, "loop__update_within_us": 4001}
    assert "4000 us or less" in faults_of(changed(**late))["loop.update_within_us"].remedy


def test_fastest_has_no_limit() -> None:
    assert parse_spec(BASE, "f").settling_limit_ms == 250
    assert parse_spec(changed(targets__settling_ms="fastest"), "f").settling_limit_ms is None


def test_clipped_rms() -> None:
    """docs/theory.md: RMS 0.783108 at drive 1.2; below 1 a sine's; a square wave in the end."""
    assert clipped_rms(1.2) == pytest.approx(0.783108, abs=5e-7)
    assert clipped_rms(1.0) == pytest.approx(math.sqrt(0.5))
    assert clipped_rms(1.0 + 1e-9) == pytest.approx(math.sqrt(0.5))
    assert clipped_rms(1e6) == pytest.approx(1.0, abs=1e-5)


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("name = \n", "line 1"),
        ('name = "a"\n[output\n', "line 2"),
        ('name = "a"\nname = "b"\n', "line 2"),
        ('name = "a', "line 1"),
        ("a = " + "9" * 5000, "file"),
        ("a = " + "[" * 5000, "file"),
    ],
)
def test_no_toml(text: str, key: str) -> None:
    assert list(faults_of(text)) == [key]


def test_unreadable_files(tmp_path: Path) -> None:
    latin = tmp_path / "latin.toml"
    latin.write_bytes('# ok\nname = "hütte"\n'.encode("latin-1"))
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * 70000)
    odd = tmp_path / "odd\n.toml"
    for path, key in [
        (tmp_path, "file"),
        (tmp_path / "none.toml", "file"),
        (latin, "line 2"),
        (huge, "file"),
        (odd, "file"),
        (tmp_path / ("x" * 5000), "file"),
        ("a\0b", "file"),
        (latin / "below.toml", "file"),
    ]:
        with pytest.raises(InputError) as caught:
            load_spec(path)
        (fault,) = caught.value.faults
        assert fault.key == key
        assert str(fault).isprintable()
        if path == latin:
            assert fault.file == str(path)


def test_byte_order_mark_and_crlf(tmp_path: Path) -> None:
    path = tmp_path / "win.toml"
    path.write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert load_spec(str(path)).digest() == parse_spec(BASE, "f").digest()


def containers(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3)


numbers = st.integers(-(2**63), 2**63 - 1) | st.floats()
anything = st.recursive(st.booleans() | numbers | st.text() | st.dates(), containers, max_leaves=5)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(
        st.sampled_from([*KEYS, "name", "gains", "output", "x.y"]), anything, max_size=6
    )
)
def test_any_values_are_taken_or_refused(changes: dict[str, Any]) -> None:
    document: Any = tomllib.loads(BASE)
    for dotted, value in changes.items():
        table, _, key = dotted.partition(".")
        if not key:
            document[table] = value
        elif isinstance(document.get(table, {}), dict):
            document.setdefault(table, {})[key] = value
    try:
        text = tomlkit.dumps(document)
        tomllib.loads(text)
    except ValueError:
        return  # the writer of the test, not the reader under test
    try:
        spec = parse_spec(text, "f")
    except InputError as error:
        assert error.faults
        assert all(str(fault).isprintable() for fault in error.faults)
    else:
        assert isinstance(spec, Spec)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=60), st.integers(0, len(BASE)), st.integers(0, 40))
def test_any_text_is_taken_or_refused(junk: str, start: int, cut: int) -> None:
    try:
        parse_spec(BASE[:start] + junk + BASE[start + cut :], "f")
    except InputError as error:
        assert all(str(fault).isprintable() for fault in error.faults)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    path.write_bytes(data)
    with pytest.raises(InputError):
        load_spec(path)


def test_published_schema_is_the_code() -> None:
    same = schema.published_text() == schema.schema_text()
    assert same, f"the published schema is stale; accept the new one: {ACCEPT}"


def test_schema_agrees_with_the_loader() -> None:
    """Oracle: the jsonschema package. It must take the examples and refuse what we refuse."""
    import json  # noqa: PLC0415

    import jsonschema  # noqa: PLC0415

    published = json.loads(schema.schema_text())
    jsonschema.Draft202012Validator.check_schema(published)
    validator = jsonschema.Draft202012Validator(published)
    for path in EXAMPLES:
        validator.validate(tomllib.loads(path.read_text("utf-8")))
    for keys in (
        {"name": "a__b"},
        {"nam": 1},
        {"output__frequency_hz": "fifty"},
        {"output__frequency_hz": 0},
        {"loop__half_cycles": 1.5},
        {"loop__half_cycles": "all"},
        {"loop__measure": "peak"},
        {"arithmetic__word_bits": 8},
        {"load__lowest_power_factor": 0},
        {"gains": {}},
        {"limits__envelopes": ["iti"]},
        {"limits__envelopes": ["iti-2000", "iti-2000"]},
        {"limits__envelopes": "iti-2000"},
        {"filter": None},
    ):
        text = changed(**keys)
        assert list(validator.iter_errors(tomllib.loads(text))), keys
        faults_of(text)


def test_schema_describes_every_key() -> None:
    import json  # noqa: PLC0415

    published = json.loads(schema.published_text())
    for name, table in published["$defs"].items():
        assert table["additionalProperties"] is False, name
        for key, entry in table["properties"].items():
            assert entry["description"], f"{name}.{key}"
