"""The co-simulation unit of a regulator whose bus is measured, beside the model."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from halfcycle.base.errors import InputError
from halfcycle.cosimulate import archive
from halfcycle.cosimulate.regulator_unit import regulator_unit
from halfcycle.generate.pipeline import generate
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import FLAG_BUS_LOST
from halfcycle.regulator.turn import Turn
from halfcycle.spec.load import load_spec, parse_spec
from support import fmu_kit, measured
from support.tools import need_module

PER_SAMPLE = 10


def test_it_reads_the_bus_as_the_model_does(tmp_path: Path) -> None:
    """Raw codes in every PWM period, some of which are lost; duty and flags after each."""
    need_module("fmpy", "test")
    spec = load_spec(measured.SPEC)
    made = generate(spec)
    unit = regulator_unit(spec, made.plan, made.texts)
    content = fmu_kit.unpack(archive.content(unit, with_binary=True), tmp_path / "unit")
    assert fmu_kit.problems(content) == []
    slave = fmu_kit.Slave(content, {"raw": True, "target_mv": 0})
    assert made.plan.turning is not None
    regulator, turn = Regulator(made.plan), Turn(made.plan.turning)
    random = np.random.default_rng(5)
    regulator.set_target_mv(230_000)
    lost = 0
    for tick in range(4 * 400):
        code = 2048 + round(900 * math.sin(2 * math.pi * tick / 400))
        bus = 0 if 500 < tick < 1100 else round(3077 * (1 + 0.1 * math.sin(tick / 90)))
        bus += int(random.integers(-1, 2)) if bus else 0
        slave.set(adc_code=code, target_mv=230_000, bus_code=bus)
        slave.step()
        regulator.bus(bus)
        if tick % PER_SAMPLE == 0 and regulator.sample(code):
            regulator.update()
        phase = turn.turn_next()
        now = slave.outputs()
        assert now["duty"] == regulator.duty(phase) / made.plan.pwm_counts, tick
        assert now["bus_lost"] == bool(regulator.flags() & FLAG_BUS_LOST)
        lost += now["bus_lost"]
    assert 0 < lost < 1600


def test_volts_of_the_bus_go_through_its_adc(tmp_path: Path) -> None:
    need_module("fmpy", "test")
    spec = load_spec(measured.SPEC)
    made = generate(spec)
    unit = regulator_unit(spec, made.plan, made.texts)
    content = fmu_kit.unpack(archive.content(unit, with_binary=True), tmp_path / "unit")
    by_volts, by_codes = fmu_kit.Slave(content, {}), fmu_kit.Slave(content, {"raw": True})
    for tick in range(600):
        volts = 400 + 30 * math.sin(tick / 50)
        output = 300 * math.sin(2 * math.pi * tick / 400)
        by_volts.set(output_v=output, bus_v=volts)
        codes = {"adc_code": math.floor(output / 0.22 + 2048.5)}
        by_codes.set(**codes, bus_code=math.floor(volts / 0.13 + 0.5))
        by_volts.step()
        by_codes.step()
        assert by_volts.get("duty") == by_codes.get("duty")


def test_a_bus_that_is_read_between_two_steps_is_refused() -> None:
    text = measured.SPEC.read_text(encoding="utf-8")
    text = text.replace("\nperiod_us = 50\n", "\nperiod_us = 75\n")
    spec = parse_spec(text, "x.toml")
    made = generate(load_spec(measured.SPEC))
    with pytest.raises(InputError) as caught:
        regulator_unit(spec, made.plan, made.texts, "x.toml")
    assert caught.value.faults[0].key == "bus_sensor.period_us"
