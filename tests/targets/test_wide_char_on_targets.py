"""The C on machines with an int of 16 bits, where char is made to have 16, too, and no type 8."""

from __future__ import annotations

import pytest

from halfcycle.targets import guest, mspdebug, request, toolchains
from halfcycle.targets import run as runner
from halfcycle.targets.unicorn_cpu import UnicornCpu
from support import plan_cases, planted, wide_char
from support import targets_kit as kit

pytestmark = pytest.mark.full
CASES = ("mean ramped", "rms wide high ramped", "moving flat")


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize(("target", "port"), [("avr", "AVR"), ("msp430", "MEMORY")])
def test_16_bit_chars_give_the_models_bits(target: str, port: str, case: str) -> None:
    plan = planted.plan_of(case)
    files = wide_char.with_wide_char(plan_cases.render(plan))
    way = next(way for way in kit.every_way((target,)))
    kind = way.emulators[0][0]
    contents, sources = guest.sources(plan, files)
    image = toolchains.build(
        way.machine,
        way.chain,
        wide_char.with_wide_char(contents),
        sources,
        defines=guest.defines(port),
        keep=mspdebug.KEEP if kind == "mspdebug" else guest.KEEP,
        flags=wide_char.FLAGS,
    )
    jobs = request.bounded(list(guest.jobs(plan, files, 2000, 1, 4097)), plan, 2000)
    assert runner.compare(runner.start(way, kind, image), jobs) == ""
    usual = runner.guest_image(plan, plan_cases.render(plan), way, kind)
    assert image.symbols["hc_guest_state"].size > usual.symbols["hc_guest_state"].size
    wide = toolchains.build(
        way.machine,
        way.chain,
        files,
        [f"{plan.name}.c", f"{plan.name}_selftest.c"],
        keep=mspdebug.KEEP[:1] if kind == "mspdebug" else ("main",),
        flags=wide_char.FLAGS,
    )
    cpu = runner.start(way, kind, wide)
    assert not isinstance(cpu, UnicornCpu) and cpu.status() == 0
