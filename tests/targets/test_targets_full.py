"""The C on every target with every compiler and emulator that Debian has; the table of costs."""

from __future__ import annotations

import pytest

from documentation import cost_table
from halfcycle.targets import guest, qemu, simavr, toolchains
from halfcycle.targets import run as runner
from halfcycle.targets.emulated import CrashedError
from halfcycle.targets.machines import AVR, CORTEX_M0PLUS, MACHINES
from support import targets_kit as kit
from support.paths import SPECS

pytestmark = pytest.mark.full


@pytest.mark.parametrize("spec", SPECS)
def test_every_target_gives_the_models_bits(spec: str) -> None:
    ways = kit.every_way()
    made = kit.example(spec)
    result = runner.run(made.plan, made.texts, samples=50_000, found=ways)
    assert [row.mismatch for row in result.rows] == [""] * 15
    assert {row.target for row in result.rows} == MACHINES.keys() and len(MACHINES) == 11
    kinds = {(row.target, emulator.split()[0]) for row in result.rows for emulator in row.emulators}
    assert ("avr", "simavr") in kinds and ("cortex-m4", "qemu") in kinds
    for row in result.rows:
        assert row.data_bytes == 0 and row.costs is not None
        # sdcc pushes arguments and keeps little in registers.
        assert row.costs.stack_bytes < (128 if "sdcc" in row.compiler else 64)
        assert row.samples_compared >= 4000 and row.calls_compared > 3000


@pytest.mark.parametrize("spec", [name for name in SPECS if name in ("weir_pump", "moor_signal")])
def test_no_dearer_than_by_hand(spec: str) -> None:
    """The sample at most as by hand, a window's end at most three times (gcc; cycles on AVR)."""
    made = kit.example(spec)
    names = tuple(cost_table.HAND_WRITTEN)
    ways = [way for way in kit.every_way(names) if way.chain.kind == "gcc"]
    rows = runner.run(made.plan, made.texts, samples=0, found=ways).rows
    assert len(rows) == 4
    for (_, target, _), values in cost_table.figures(rows, spec).items():
        figure = dict(zip(cost_table.COLUMNS, values, strict=True))
        hand = cost_table.HAND_WRITTEN[target]
        assert figure["sample"] <= hand.sample
        assert figure["closing"] + figure["update"] <= 3 * hand.closing_and_update


def test_no_figure_of_the_table_has_grown() -> None:
    kit.every_way()
    now: dict[cost_table.Key, tuple[int, ...]] = {}
    paths = [kit.EXAMPLES / f"{name}.toml" for name in SPECS]
    for path, (_, result) in cost_table.measure(paths).items():
        now |= cost_table.figures(result.rows, path.stem)
    page = (kit.EXAMPLES.parent / "cost.md").read_text(encoding="utf-8")
    found = cost_table.growth(cost_table.parse(page), now)
    assert not found, "\n".join([*found, f"accept with: {cost_table.ACCEPT}"])


TIMED = """
#include <stdint.h>
#include "regulator.h"
#include "target_port.h"
struct hc_state hc_guest_state;
void ten(void);
__attribute__((noinline)) void ten(void)
{
    __asm__ volatile("nop\\nnop\\nnop\\nnop\\nnop\\nnop\\nnop\\nnop\\nnop\\nnop");
}
int main(void)
{
    while (hc_get() != (uint32_t)'Q') {
        ten();
        hc_put(7u);
    }
    return 0;
}
"""


def test_avr_cycles_are_right_where_they_can_be_told_by_hand() -> None:
    """A nop is one cycle, ret four with a 16-bit program counter (AVR instruction set manual)."""
    kit.every_way(("avr",))
    made = kit.example("weir_pump")
    contents, _ = guest.sources(made.plan, made.texts)
    chain = toolchains.gcc(AVR)
    assert isinstance(chain, toolchains.Toolchain)
    defines = guest.defines(made.plan, "AVR")
    image = toolchains.build(AVR, chain, {**contents, "t.c": TIMED}, ["t.c"], defines=defines)
    cpu = simavr.SimavrCpu(image)
    word = guest.load(dict.fromkeys(guest.FIELDS, 0))[:1]
    assert cpu.exchange([word]).tolist() == [7]
    [runs] = cpu.counted([word, word], ["ten"])
    assert [(run.instructions, run.cycles, run.stack_bytes) for run in runs] == [(11, 14, 2)] * 2


def test_an_avr_fault_is_located() -> None:
    """Such as only a 16-bit int shows: the product cut to int before it is widened."""
    way = next(way for way in kit.every_way(("avr",)) if way.chain.kind == "gcc")
    made = kit.example("quay_kiosk")
    name = f"{made.plan.name}.c"
    old = "(uint32_t)magnitude * magnitude"
    assert made.texts[name].count(old) == 1
    wrong = {**made.texts, name: made.texts[name].replace(old, "(uint32_t)(magnitude * magnitude)")}
    jobs = list(guest.jobs(made.plan, made.texts, 2000, 1, runner.PHASE_STEP))
    cpu = simavr.SimavrCpu(runner.guest_image(made.plan, wrong, way, "simavr"))
    found = runner.compare(cpu, jobs)
    assert "scenario sample_states" in found and "sum" in found.partition("field ")[2]


def test_code_for_a_larger_core_does_not_pass_on_the_smaller(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """ARMv6-M has no 32-bit data-processing instructions (ARMv6-M manual, A5.3): qemu stops."""
    way = next(way for way in kit.every_way(("cortex-m4",)) if way.chain.kind == "gcc")
    made = kit.example("weir_pump")
    jobs = list(guest.jobs(made.plan, made.texts, 1000, 1))
    image = runner.guest_image(made.plan, made.texts, way, "qemu")
    assert runner.compare(qemu.QemuCpu(way.machine, image), jobs) == ""
    monkeypatch.setattr(qemu, "_SECONDS", 5)
    with pytest.raises(CrashedError, match="cortex-m0plus"):
        runner.compare(qemu.QemuCpu(CORTEX_M0PLUS, image), jobs)
