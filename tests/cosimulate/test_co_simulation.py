"""Co-simulation units, built from their sources and run through fmpy, against direct calls of the C
and against ``simulate``'s own closed loop."""

from __future__ import annotations

import ctypes
import math
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halfcycle.base.errors import InputError
from halfcycle.cosimulate import archive, binary
from halfcycle.cosimulate.board_unit import board_unit
from halfcycle.cosimulate.regulator_unit import regulator_unit
from halfcycle.cosimulate.unit import Unit, base_step_s
from halfcycle.generate.pipeline import Generation, generate
from halfcycle.regulator.plan import FLAGS
from halfcycle.simulate.boards import draw
from halfcycle.simulate.compiled_loop import CompiledLoop
from halfcycle.simulate.parts import BoardLoad, FilterParts, LoadKind
from halfcycle.simulate.run_types import Board, Event, EventKind, Run
from halfcycle.simulate.setup import steps_per_sample
from halfcycle.spec.load import load_spec
from halfcycle.spec.models import Spec
from halfcycle.verify import compiler, library
from support import fmu_kit
from support.effort import examples
from support.fmu_kit import RefusedCall, Slave
from support.paths import ROOT, SPECS
from support.spec_text import changed_spec
from support.tools import need_module

PER_SAMPLE = 10
"""PWM periods in a loop period of ``quay_kiosk``."""


@dataclass(frozen=True)
class Units:
    """Both units of ``quay_kiosk``, unpacked, with the library that the tool builds for them."""

    spec: Spec
    generation: Generation
    regulator: Path
    board: Path


def units_of(spec: Spec) -> tuple[Generation, Unit, Unit]:
    generation = generate(spec)
    nominal = draw(spec, [0], 1)[0]
    return (
        generation,
        regulator_unit(spec, generation.plan, generation.texts),
        board_unit(spec, generation.plan, nominal),
    )


@pytest.fixture(scope="module")
def units(tmp_path_factory: pytest.TempPathFactory) -> Units:
    need_module("fmpy", "test")
    folder = tmp_path_factory.mktemp("units")
    spec = changed_spec("quay_kiosk")
    generation, *both = units_of(spec)
    contents = []
    for number, unit in enumerate(both):
        data = archive.content(unit, with_binary=True)
        contents.append(fmu_kit.unpack(data, folder / str(number)))
    return Units(spec, generation, *contents)


def test_both_units_are_as_the_standard_wants_them(units: Units) -> None:
    """The XML schema of FMI 2.0 and the rules of its text, as fmpy's validator has them."""
    for content in (units.regulator, units.board):
        assert fmu_kit.problems(content) == []
        text = (content / "modelDescription.xml").read_text()
        assert 'canHandleVariableCommunicationStepSize="false"' in text
        assert "generationDateAndTime" not in text
        for place in ("documentation/index.html", "documentation/licenses/license.txt"):
            assert (content / place).stat().st_size > 1000


@pytest.mark.parametrize("kind", ["regulator", "board"])
def test_others_build_it_from_its_sources(units: Units, tmp_path: Path, kind: str) -> None:
    """fmpy builds what SourceFiles lists, and nothing else. Its validator does not look for these
    files, so a missing one is noticed by building."""
    ready, content = getattr(units, kind), tmp_path / "content"
    shutil.copytree(ready, content)
    shutil.rmtree(content / "binaries")
    fmu_kit.build(content)
    assert drive(Slave(content, {}), 60) == drive(Slave(ready, {}), 60)
    (content / "sources" / "harness" / f"unit_{kind}.c").unlink()
    assert fmu_kit.problems(content) == []
    with pytest.raises(subprocess.CalledProcessError):
        fmu_kit.build(content)


# ---- the regulator ----

CALLS = """
void quay_kiosk_reset(void *s); void quay_kiosk_set_target_mv(void *s, int32_t mv);
int quay_kiosk_sample(void *s, uint16_t code); void quay_kiosk_update(void *s);
void quay_kiosk_hold(void *s); int32_t quay_kiosk_rms_mv(const void *s);
int16_t quay_kiosk_scale(const void *s); uint16_t quay_kiosk_flags(const void *s);
int16_t quay_kiosk_drive(const void *s, uint16_t phase);
int16_t quay_kiosk_duty(const void *s, uint16_t phase);
void quay_kiosk_turn_reset(void *t); uint16_t quay_kiosk_turn_next(void *t);
void quay_kiosk_turn_set_millihertz(void *t, uint32_t mhz);
"""
LATE = 7
TICKS = 4000


class Direct:
    """The C called directly, step by step in the order that the unit's page states."""

    def __init__(self, generation: Generation) -> None:
        files = {n: generation.texts[n] for n in ("quay_kiosk.h", "quay_kiosk.c")}
        self.ffi, self.c = library.load(CALLS, files, ["quay_kiosk.c"])
        self.state, self.turn = self.ffi.new("int64_t[64]"), self.ffi.new("int64_t[8]")
        self.c.quay_kiosk_reset(self.state)
        self.c.quay_kiosk_turn_reset(self.turn)
        self.target = self.mhz = 0
        self.tick, self.due, self.updates = 0, -1, 0

    def step(self, code: int, target: int, limiting: bool, mhz: int) -> dict[str, Any]:
        c, s = self.c, self.state
        if target != self.target:
            self.target = target
            c.quay_kiosk_set_target_mv(s, target)
        if limiting:
            c.quay_kiosk_hold(s)
        if self.tick == self.due:
            c.quay_kiosk_update(s)
            self.updates += 1
        if self.tick % PER_SAMPLE == 0 and c.quay_kiosk_sample(s, code):
            self.due = self.tick + LATE
        if mhz != self.mhz:
            self.mhz = mhz
            c.quay_kiosk_turn_set_millihertz(self.turn, mhz)
        phase = c.quay_kiosk_turn_next(self.turn)
        self.tick += 1
        flags = c.quay_kiosk_flags(s)
        return {
            "duty": c.quay_kiosk_duty(s, phase) / 1600,
            "drive": c.quay_kiosk_drive(s, phase) / 32767,
            "scale": c.quay_kiosk_scale(s) / 16384,
            "rms_mv": c.quay_kiosk_rms_mv(s),
            "updates": self.updates,
            "phase": phase,
            **{name.lower(): bool(flags & mask) for name, mask, _ in FLAGS},
        }


def script() -> Iterator[tuple[int, int, bool, int]]:
    """Code, target, limiter and frequency of each step: a weak sine, a sensor that is lost, rated,
    too much, a target of nothing, targets off the range, codes beyond the ADC's; with noise."""
    random = np.random.default_rng(7)
    amplitude = np.repeat([400, 400, 400, 0, 0, 1478, 1478, 2300, 1000, 1000], TICKS // 10)
    sine = 2048 + amplitude * np.sin(2 * math.pi * np.arange(TICKS) / 400)
    codes = np.rint(sine + random.normal(0, 3, TICKS)).astype(int)
    codes[[1000, 1001]] = 70000, -3
    targets = (230_000, 230_000, 230_000, -5, 400_000)
    for tick in range(TICKS):
        target = targets[tick * len(targets) // TICKS]
        yield int(codes[tick]), target, 900 < tick < 940, (0, 49_950, 50_000, 51_000)[tick // 1000]


def test_the_regulators_unit_equals_direct_calls_bit_for_bit(units: Units) -> None:
    """With raw codes; two instances that take different codes do not disturb each other."""
    direct = Direct(units.generation)
    values = {"raw": True, "update_after_ticks": LATE, "target_mv": 0}
    unit, other = Slave(units.regulator, values), Slave(units.regulator, values, name="other")
    seen = set()
    for code, target, limiting, mhz in script():
        unit.set(adc_code=code, target_mv=target, limiting=limiting, frequency_mhz=mhz)
        unit.step()
        other.set(adc_code=4095 - min(code, 4095), target_mv=100_000)
        other.step()
        now = unit.outputs()
        bridge_v = now.pop("bridge_v")
        expected = direct.step(min(max(code, 0), 65535), target, limiting, mhz)
        assert now == expected
        assert bridge_v == expected["duty"] * 380.0
        seen |= {name for name, _, _ in FLAGS if now[name.lower()]}
    assert direct.updates == TICKS // (PER_SAMPLE * units.generation.plan.samples)
    assert seen >= {"OVER", "IMPLAUSIBLE", "IN_BAND", "HELD"}, "the script has become too tame"


def test_volts_are_taken_as_the_adc_takes_them(units: Units) -> None:
    """To the nearest code, halves up, held in the ADC's range; exact fractions beside it."""
    by_volts, by_codes = Slave(units.regulator, {}), Slave(units.regulator, {"raw": True})
    random = np.random.default_rng(3)
    sensor = units.spec.sensor
    for volts in random.uniform(-500, 500, 1200).tolist():
        exact = Fraction(volts) / sensor.volts_per_code + sensor.zero_code
        code = min(max(math.floor(exact + Fraction(1, 2)), 0), 4095)
        by_volts.set(output_v=volts)
        by_codes.set(adc_code=code)
        by_volts.step()
        by_codes.step()
    assert by_volts.get("updates") == 6
    # The values that were set apart, all that follows is the same.
    assert by_volts.outputs() == by_codes.outputs()


def test_a_regulator_without_a_pwm_period_is_not_held_for_a_loop_period(tmp_path: Path) -> None:
    """A duty held for a loop period of 0.8 ms would settle at a scale 2 % too low, with 19 % of
    distortion between the samples. The unit has shorter steps, and makes its phase itself, 64 bits
    a turn: within a 65536th of a turn for hours. At rest the scale is the one that Ohm's law for
    phasors asks for, and the output is a sine between the samples."""
    need_module("fmpy", "test")
    spec = changed_spec("peat_cabin")
    generation, *both = units_of(spec)
    step_s, per_sample = base_step_s(spec)
    assert (step_s, per_sample) == (Fraction(40, 1_000_000), 20)
    folders = []
    for number, unit in enumerate(both):
        data = archive.content(unit, with_binary=True)
        folders.append(fmu_kit.unpack(data, tmp_path / str(number)))
        assert fmu_kit.problems(folders[-1]) == []
        assert archive.untouched(data, binary.place(unit.identifier))
        assert (folders[-1] / binary.place(unit.identifier)).exists()
    regulator = Slave(folders[0], {})
    board = Slave(folders[1], {"noise_codes": 0.0})
    assert regulator.step_s == board.step_s == 40e-6
    turns = spec.output.frequency_hz * step_s
    wave = []
    for tick in range(20_000):
        duty, volts = regulator.get("duty"), board.get("sensed_v")
        board.set(duty=duty)
        regulator.set(output_v=volts)
        regulator.step()
        board.step()
        wave.append(board.get("output_v"))
        if tick < 600:
            exact = turns * tick % 1 * 65536
            assert (math.floor(exact) - regulator.get("phase")) % 65536 in (0, 1)
    assert regulator.get("updates") == 20_000 // per_sample // generation.plan.samples
    w = 2j * math.pi * float(spec.output.frequency_hz)
    load = board.get("load_series_ohm") + w * board.get("load_series_h")
    parallel = 1 / (1 / load + w * board.get("capacitance_f"))
    choke = board.get("winding_ohm") + w * board.get("inductance_h")
    asked = float(spec.output.rated_rms_v) * math.sqrt(2) * abs(1 + choke / parallel)
    assert regulator.get("scale") == pytest.approx(asked / board.get("source_v"), rel=2e-3)
    cycle = np.abs(np.fft.rfft(wave[-500:]))
    assert math.hypot(*cycle[2:]) < 0.002 * cycle[1]


def test_a_held_duty_distorts_as_the_page_says() -> None:
    """A sine that is held for T has images at k/T +- f, each with its sinc (textbook of sampling);
    phasors take them through the filter at a resistor of rated power."""
    spec = changed_spec("peat_cabin")
    period_s, f = float(spec.loop.period_us) * 1e-6, float(spec.output.frequency_hz)
    ohm = float(spec.output.rated_rms_v**2 / spec.load.rated_va)

    def level(hertz: float) -> float:
        s = 2j * math.pi * hertz
        load = 1 / (1 / ohm + s * float(spec.filter.capacitance_uf) * 1e-6)
        choke = float(spec.filter.winding_resistance_ohm)
        choke += s * float(spec.filter.inductance_uh) * 1e-6
        return float(np.sinc(hertz * period_s) * abs(load / (load + choke)))

    images = (level(abs(k / period_s + f)) for k in range(-40, 41) if k)
    assert 100 * math.hypot(*images) / level(f) == pytest.approx(19, abs=0.6)


@pytest.mark.parametrize("path", SPECS, ids=lambda path: path.stem)
def test_no_unit_without_a_pwm_period_has_long_steps(path: Path) -> None:
    """A held drive loses (pi f h)^2 / 6 of the sine (the series of sinc): at most 1e-5. Of a
    decimal loop period the steps are decimals."""
    spec = load_spec(path)
    bridge = spec.bridge.model_copy(update={"pwm_period_us": None})
    spec = spec.model_copy(update={"bridge": bridge})
    step_s, count = base_step_s(spec)
    assert step_s * count * 1_000_000 == spec.loop.period_us
    assert (math.pi * float(spec.output.frequency_hz * step_s)) ** 2 / 6 <= 1e-5
    assert count < 2 * steps_per_sample(spec)
    assert Fraction(repr(float(step_s))) == step_s


# ---- steps and states ----


def test_other_steps_are_refused_and_change_nothing(units: Units) -> None:
    unit, plain = (Slave(units.regulator, {"raw": True}) for _ in range(2))
    for slave in (unit, plain):
        for _ in range(25):
            slave.step()
    h, before = unit.step_s, unit.state()
    for length in (2 * h, h / 2, h * 1.001, 0.0, -h, math.nan, math.inf, -math.inf):
        with pytest.raises(RefusedCall, match="5e-05 s"):
            unit.step(length)
    for time in (24 * h, 26 * h, -math.inf, math.inf, math.nan):
        with pytest.raises(RefusedCall, match="where the last one ended"):
            unit.step(time_s=time)
    assert unit.state() == before == plain.state()
    # What a simulator adds up is off in the last digits.
    unit.step(step_s=h * (1 + 1e-9), time_s=sum([h] * 25))
    plain.step()
    assert unit.state() == plain.state()


def test_what_must_not_be_set_is_not(units: Units) -> None:
    unit, board = Slave(units.regulator, {}), Slave(units.board, {})
    for slave, name, value, reason in (
        (unit, "raw", True, "fixed"),
        (unit, "duty", 0.5, "output"),
        (unit, "output_v", math.nan, "not a number"),
        (unit, "frequency_mhz", -1, "range"),
        (board, "inductance_h", 0.001, "fixed"),
        (board, "load_kind", 4, "range"),
        (board, "load_series_ohm", -1.0, "range"),
    ):
        with pytest.raises(RefusedCall, match=reason):
            slave.set(**{name: value})
    board.set(load_kind=3)  # Without what a rectifier has.
    with pytest.raises(RefusedCall, match="load_reservoir_f"):
        board.step()
    with pytest.raises(RefusedCall, match="initialized"):
        board.step()
    board.fmu.reset()
    assert not fmu_kit.instantiated(units.board, unit.description.guid)
    assert fmu_kit.instantiated(units.board, board.description.guid)


def test_a_refused_set_sets_nothing(units: Units) -> None:
    """Of several values that are set at once, the good ones before the bad one neither."""
    unit = Slave(units.regulator, {})
    before = unit.state()
    for name, bad in (("output_v", math.inf), ("bus_v", -math.inf), ("duty", 0.1)):
        references = [unit.known[each].valueReference for each in ("output_v", name)]
        with pytest.raises(RefusedCall):
            unit.call(unit.fmu.setReal, references, [99.0, bad])
    with pytest.raises(RefusedCall, match="no such value reference"):
        unit.call(unit.fmu.setReal, [0, 999], [99.0, 99.0])
    assert unit.state() == before


def test_missing_pointers_are_refused(units: Units) -> None:
    """In place of a crash of the simulator: 3 is fmi2Error."""
    unit = Slave(units.board, {})
    raw, component = unit.fmu.dll, unit.fmu.component
    number = (ctypes.c_double * 1)()
    reference = (ctypes.c_uint * 1)()
    before = unit.state()
    for kind in ("Real", "Integer", "Boolean"):
        for call in (getattr(raw, f"fmi2{verb}{kind}") for verb in ("Get", "Set")):
            assert call(component, None, 1, None) == 3
            assert call(component, reference, 1, None) == 3
            assert call(None, None, 0, None) == 3
            assert call(component, None, 0, None) == 0
    assert raw.fmi2GetReal(None, reference, 1, number) == 3
    assert raw.fmi2GetFMUstate(component, None) == 3
    assert raw.fmi2SetFMUstate(component, None) == 3
    assert raw.fmi2DeSerializeFMUstate(component, None, 9999, None) == 3
    assert raw.fmi2SerializedFMUstateSize(component, None, None) == 3
    assert raw.fmi2DoStep(None, 0.0, unit.step_s, 0) == 3
    for name in ("EnterInitializationMode", "ExitInitializationMode", "Terminate", "Reset"):
        assert getattr(raw, f"fmi2{name}")(None) == 3
    assert unit.state() == before and "a pointer to values is missing" in unit.told


@pytest.mark.parametrize("start", [math.nan, math.inf, -math.inf, 1e15])
def test_a_start_that_tells_no_steps_is_refused(units: Units, start: float) -> None:
    """At 1e15 s two neighbouring doubles are 0.125 s apart: any step would look like any other."""
    unit = Slave(units.regulator, {})
    unit.fmu.reset()
    with pytest.raises(RefusedCall, match="start time"):
        unit.call(unit.fmu.setupExperiment, None, start)


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        ({"load_kind": 1, "load_series_ohm": 0.0}, "load_series_ohm must be above 0"),
        ({"load_kind": 1, "load_series_ohm": 5e-324}, "beyond all numbers"),
        ({"source_v": 1e308, "duty": 1.0}, "beyond all numbers"),
        ({"sensor_zero_codes": 1e308, "noise_codes": 1e308}, "beyond all numbers"),
    ],
)
def test_values_that_no_circuit_has_end_in_an_error(
    units: Units, values: dict[str, Any], reason: str
) -> None:
    """Never in outputs that are no numbers, nor in a step without end."""
    board = Slave(units.board, {})
    board.set(**values)
    with pytest.raises(RefusedCall, match=reason):
        for _ in range(20):
            board.step()


def drive(slave: Slave, ticks: int) -> list[dict[str, Any]]:
    """Run a unit of either kind under inputs that depend on the step's number alone."""
    told = []
    for _ in range(ticks):
        wave = math.sin(2 * math.pi * slave.tick / 400)
        if "raw" in slave.known:
            slave.set(output_v=330 * wave, limiting=slave.tick % 300 < 5)
        else:
            load = (1, 2, 3)[slave.tick // 250 % 3]
            values = {"load_series_h": 0.01, "load_reservoir_f": 1e-3, "load_reservoir_ohm": 99.0}
            slave.set(duty=0.9 * wave, load_kind=load, load_series_ohm=40.0, **values)
        slave.step()
        told.append(slave.outputs())
    return told


@pytest.mark.parametrize("kind", ["regulator", "board"])
def test_a_state_goes_round_mid_run(units: Units, kind: str) -> None:
    """Kept in memory, and as bytes taken over by another instance: the run goes on the same."""
    values = (
        {"update_after_ticks": 3}
        if kind == "regulator"
        else {"sensor_delay_s": 7.3e-4, "bus_ohm": 0.2}
    )
    slave = Slave(getattr(units, kind), values)
    drive(slave, 1203)
    kept, data = slave.fmu.getFMUstate(), slave.state()
    rest = drive(slave, 400)
    end = slave.state()
    assert end != data
    slave.fmu.setFMUstate(kept)
    slave.fmu.freeFMUstate(kept)
    slave.tick = 1203
    assert slave.state() == data
    assert drive(slave, 400) == rest and slave.state() == end
    other = Slave(getattr(units, kind), {}, name="other")
    other.go_on_from(data, 1203)
    assert drive(other, 400) == rest and other.state() == end


def test_a_state_of_another_spec_is_refused(units: Units) -> None:
    unit, board = Slave(units.regulator, {}), Slave(units.board, {})
    drive(unit, 30)
    good, own = unit.state(), units.spec.digest().encode()
    foreign = changed_spec("ferry_galley").digest().encode()
    assert good.startswith(own) and len(foreign) == len(own)
    flipped = bytearray(good)
    flipped[-20] ^= 1
    for data, reason in (
        (good.replace(own, foreign), "another spec"),
        (board.state(), "another unit of this spec"),
        (bytes(flipped), "damaged"),
        (good[:-8], "missing"),
        (good[:20], "too short"),
    ):
        with pytest.raises(RefusedCall, match=reason):
            unit.go_on_from(data, 30)
    assert unit.state() == good


# ---- the board ----


def test_the_boards_rest_is_ohms_law(units: Units) -> None:
    """A held duty into a resistor: source x duty x R / (R + winding); the modulator rounds it."""
    board = Slave(units.board, {"noise_codes": 0.0, "load_series_ohm": 40.0})
    board.set(duty=0.50013)
    for _ in range(1500):
        board.step()
    expected = 380 * 0.5 * 40 / (40 + 0.3)
    assert board.get("output_v") == pytest.approx(expected, rel=1e-9)
    assert board.get("load_a") == pytest.approx(expected / 40, rel=1e-9)
    assert board.get("adc_code") == round(2048 + expected / 0.22)
    assert board.get("sensed_v") == pytest.approx(expected, rel=1e-9)
    board.set(sensor_gain=1.01, sensor_zero_codes=4.0)
    board.step()
    assert board.get("adc_code") == round(2048 + 4 + 1.01 * expected / 0.22)
    board.set(sensor_open=True)
    board.step()
    assert board.get("adc_code") == 2048 and board.get("sensed_v") == 0.0


@pytest.fixture(scope="module")
def loop(units: Units) -> CompiledLoop:
    """``simulate``'s own closed loop, which is held to a loop in plain Python, to scipy's exact
    discretisation and to ngspice elsewhere (tests/simulate)."""
    return CompiledLoop("quay_kiosk", units.generation.texts)


def test_the_boards_noise_is_that_of_simulate(units: Units, loop: CompiledLoop) -> None:
    board = Slave(units.board, {"noise_codes": 2.0, "noise_key": 77.0})
    codes = [board.get("adc_code")]
    for _ in range(60):
        board.step()
        codes.append(board.get("adc_code"))
    expected = np.floor(2048 + 2 * loop.noise(77, 61) + 0.5)
    assert codes == expected.astype(int).tolist()


RATED = BoardLoad(LoadKind.SERIES_RL, series_ohm=47.0, series_h=0.11)
RECTIFIER = BoardLoad(
    LoadKind.RECTIFIER, series_ohm=2.4, drop_v=1.4, reservoir_f=1.1e-3, reservoir_ohm=133.0
)


def load_values(load: BoardLoad) -> dict[str, Any]:
    names = ("series_ohm", "series_h", "drop_v", "reservoir_f", "reservoir_ohm")
    return {"load_kind": int(load.kind), **{f"load_{n}": getattr(load, n) for n in names}}


@dataclass(frozen=True)
class Coupled:
    """Both units in one run: output V, choke A and load A after each step, and of each update
    reported mV, scale and flags."""

    wave: list[list[float]]
    updates: list[tuple[int, float, int]]


def coupled(
    regulator: Slave, plant: Slave, steps: int, switch_at: int, *, raw: bool, handed_on: bool
) -> Coupled:
    """A co-simulation of ``steps`` steps. Both units take what the other put out at the start of a
    step; ``handed_on``: the regulator goes first, and the board takes its new duty at once."""
    result = Coupled([], [])
    for tick in range(steps):
        if tick == switch_at:
            plant.set(**load_values(RECTIFIER))
        duty, code, volts = regulator.get("drive"), plant.get("adc_code"), plant.get("sensed_v")
        regulator.set(**({"adc_code": code} if raw else {"output_v": volts}))
        before = regulator.get("updates")
        regulator.step()
        plant.set(duty=regulator.get("drive") if handed_on else duty)
        plant.step()
        result.wave.append([plant.get(name) for name in ("output_v", "choke_a", "load_a")])
        if regulator.get("updates") != before:
            flags = sum(mask for name, mask, _ in FLAGS if regulator.get(name.lower()))
            told = regulator.get("rms_mv"), regulator.get("scale") * 16384, flags
            result.updates.append(told)
    return result


@pytest.mark.parametrize(("raw", "handed_on"), [(True, False), (False, False), (True, True)])
def test_both_units_close_the_loop_as_simulate_does(
    units: Units, loop: CompiledLoop, raw: bool, handed_on: bool
) -> None:
    """The same board, the same phases: equal within rounding. A duty that is handed on acts at
    once, as in ``simulate``. Else it comes a step later, so step n + 1 of the units is step n of a
    loop whose sensor has a delay of one step. ``simulate`` takes the drive by NAME_drive, so its
    output is wired here. Start into an inductive load, then a rectifier; a bus with a resistance, a
    sensor that is off, late updates."""
    turning = units.generation.plan.turning
    assert turning is not None
    h, late, steps, switch_at = 50e-6, 3, 6000, 3205
    delay_s = 7.3e-6 if handed_on else 0.0
    hertz = turning.rated_step / 2**32 / h
    while int(hertz * h * 2.0**64) < turning.rated_step << 32:
        hertz = math.nextafter(hertz, math.inf)
    board = Board(
        number=0,
        filter=FilterParts(inductance_h=1.4e-3, winding_ohm=0.3, capacitance_f=8.3e-6),
        bus_v=391.0,
        bus_ohm=0.4,
        codes_per_volt=1.008 / 0.22,
        zero_code=2048 + 3.0,
        delay_s=delay_s if handed_on else h,
        noise_codes=0.0,
        start_turn=0.0,
        event_delay_s=0.0,
        noise_key=1,
        loads=(RATED, RECTIFIER, BoardLoad()),
        rated_v=230.0,
        late_s=late * h,
    )
    run = Run(
        step_s=h,
        frequency_hz=hertz,
        steps_per_sample=PER_SAMPLE,
        steps=steps,
        pwm_counts=1600,
        adc_max=4095,
        zero_code=2048,
        samples_per_window=units.generation.plan.samples,
        events=(Event(switch_at * h, EventKind.LOAD, 1, fixed=True),),
    )
    history = loop.run(run, [board], trace=True)

    parameters = {"raw": raw, "update_after_ticks": late, "first_sample_tick": PER_SAMPLE}
    regulator = Slave(units.regulator, parameters)
    parts = {
        "inductance_h": board.filter.inductance_h,
        "winding_ohm": board.filter.winding_ohm,
        "capacitance_f": board.filter.capacitance_f,
        "bus_ohm": board.bus_ohm,
        "source_v": board.bus_v,
        "sensor_gain": 1.008,
        "sensor_zero_codes": 3.0,
        "sensor_delay_s": delay_s,
        "noise_codes": 0.0,
    }
    plant = Slave(units.board, {**parts, **load_values(RATED)})
    later = 0 if handed_on else 1
    found = coupled(regulator, plant, steps, switch_at + later, raw=raw, handed_on=handed_on)

    count = int(history.window_count[0])
    expected = zip(
        history.window_reported_mv[0, :count].tolist(),
        history.window_scale[0, :count].tolist(),
        history.window_flags[0, :count].tolist(),
        strict=True,
    )
    assert found.updates == list(expected) and count == 29
    # The trace has what is there as a step begins, the units' outputs what is there as it ends.
    known = history.trace[:, [0, 2, 3]]
    wave = np.array([[0.0, 0.0, 0.0], *found.wave])[later : later + steps]
    # At the switch the unit tells the current of the load before, the trace that of the new one.
    assert known[switch_at, 2] == 0.0
    wave[switch_at, 2] = 0.0
    # Floating point apart, which compilers may contract differently.
    np.testing.assert_allclose(wave, known, rtol=1e-9, atol=1e-7)
    assert np.abs(known[:, 0]).max() > 200 and np.abs(known[4000:, 2]).max() > 5


# ---- the files ----


def test_a_unit_is_the_same_bytes_every_time_and_tells_no_time() -> None:
    spec = changed_spec("quay_kiosk")
    _, *both = units_of(spec)
    library_place = binary.place("")
    for unit in both:
        data = archive.content(unit)
        again = archive.content(unit)
        assert data == again and archive.untouched(data, library_place)
        files = archive.files_of(unit)
        assert archive.packed(files) == data
        changed = dict(files)
        place = f"sources/{unit.source_files[0]}"
        changed[place] += "/* mine */\n"
        assert not archive.untouched(archive.packed(changed), library_place)
        with_binary = archive.packed(files, (f"{library_place}x.so", b"\x7fELF"))
        assert archive.untouched(with_binary, library_place)
        for_others = archive.packed(files, ("binaries/elsewhere/x.so", b"\x7fELF"))
        assert not archive.untouched(for_others, library_place)
    assert not archive.untouched(b"PK\x03\x04 cut off", library_place)


def test_guids_tell_units_apart() -> None:
    spec = changed_spec("quay_kiosk")
    generation, regulator, board = units_of(spec)
    other = board_unit(spec, generation.plan, draw(spec, [5], 1)[0])
    guids = {archive.guid_of(archive.files_of(unit)) for unit in (regulator, board, other)}
    assert len(guids) == 3


def test_the_c_raises_no_warning_and_is_of_the_standard() -> None:
    """Every warning of ``compiler.STRICT``; then the standard's own headers (Modelica Association,
    as fmpy carries them) in place of the unit's, whose prototypes the definitions must fit."""
    need_module("fmpy", "test")
    import fmpy  # noqa: PLC0415

    headers = Path(fmpy.__file__).parent / "c-code"
    spec = changed_spec("quay_kiosk")
    _, *both = units_of(spec)
    for unit in both:
        texts = unit.c_texts()
        assert compiler.strict_messages(texts, unit.source_files) == ""
    for name in ("fmi2Functions.h", "fmi2FunctionTypes.h", "fmi2TypesPlatform.h"):
        texts[f"harness/{name}"] = (headers / name).read_text()
    standard = ["HC_STANDARD_HEADERS"]
    assert compiler.build_shared(texts, both[1].source_files, standard).exists()
    prefixed = ["FMI2_FUNCTION_PREFIX=kiosk_"]
    built = compiler.build_shared(both[1].c_texts(), both[1].source_files, prefixed)
    assert b"kiosk_fmi2DoStep" in built.read_bytes()


def test_licences_are_those_of_the_project(units: Units) -> None:
    """documentation/licenses is where FMI 2.0 has them."""
    text = (units.board / "documentation" / "licenses" / "license.txt").read_text()
    own = (ROOT / "LICENSE").read_text().partition("\n---")[0].strip()
    assert own in text and "MIT No Attribution" in text and "sources/harness/unit_config.h" in text


def test_a_pwm_period_that_does_not_divide_the_loop_period_has_no_unit() -> None:
    spec = changed_spec("quay_kiosk", bridge__pwm_period_us=60)
    plan, texts = (
        getattr(generate(changed_spec("quay_kiosk")), name) for name in ("plan", "texts")
    )
    with pytest.raises(InputError, match=r"bridge\.pwm_period_us: .*8\.33333 PWM periods"):
        regulator_unit(spec, plan, texts)


@pytest.mark.parametrize("path", examples("ridge_relay", "ferry_galley"))
def test_the_units_of_every_example(path: Path, tmp_path: Path) -> None:
    """Windows of blocks, tracked zeros, latched sensors: each has other fields of the state."""
    need_module("fmpy", "test")
    spec = load_spec(path)
    _, *both = units_of(spec)
    for number, unit in enumerate(both):
        assert compiler.strict_messages(unit.c_texts(), unit.source_files) == ""
        content = fmu_kit.unpack(archive.content(unit, with_binary=True), tmp_path / str(number))
        assert fmu_kit.problems(content) == []
        slave = Slave(content, {})
        drive(slave, 700)
        data = slave.state()
        rest = drive(slave, 300)
        end = slave.state()
        other = Slave(content, {}, name="other")
        other.go_on_from(data, 700)
        assert drive(other, 300) == rest and other.state() == end
