"""The C that logs, run by emulators: what it prints there is a log of the model's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from halfcycle.bench.log_check import LogCheck
from halfcycle.bench.log_reader import read_log
from halfcycle.bench.log_readings import ReadingsOf
from halfcycle.bench.log_rows import LogRemarks
from halfcycle.targets import guest
from halfcycle.targets import run as runner
from halfcycle.targets.machines import Emulator
from halfcycle.verify import c_interface
from support import targets_kit as kit
from support.logging_c import logging_texts
from support.plan_cases import CASES

pytestmark = pytest.mark.full

SEND = """
#include "harness/target_port.h"
static void send(char c) { hc_put((uint32_t)(unsigned char)c); }
"""
MAIN = """
int main(void) {
    while (hc_get() != (uint32_t)'Q') {
        run(120);
    }
    hc_finish();
    return 0;
}
"""


@pytest.mark.parametrize("case", ["mean", "moving flat"])
@pytest.mark.parametrize(
    ("target", "kind"),
    [("avr", "simavr"), ("cortex-m0plus", "unicorn"), ("m68k-be", "unicorn"), ("rv32imc", "qemu")],
)
def test_the_c_of_the_page_logs_the_models_rows_there(
    target: str, kind: Emulator, case: str, tmp_path: Path
) -> None:
    """Of 16 and 32 bits an int, either end of a word first."""
    plan = CASES[case]
    way = next(way for way in kit.every_way((target,)) if way.chain.kind == "gcc")
    texts = logging_texts(plan, SEND, MAIN)
    texts |= c_interface.harness_files("target_port.h")
    image = runner._image(
        way,
        kind,
        texts,
        ["main.c", f"{plan.name}.c"],
        defines=guest.defines(runner._PORTS[kind]),
    )
    words = runner.start(way, kind, image).exchange([np.ones(1, dtype=np.uint32)])
    path = tmp_path / "log.txt"
    path.write_bytes(bytes(words.astype(np.uint8)))
    check, readings = LogCheck(plan), ReadingsOf(plan)
    for rows in read_log(path, plan, LogRemarks(), 0):
        check.feed(rows, readings.of(rows))
    result = check.done()
    assert result.first is None, result.first
    assert result.rows == 120 and result.exact and result.compared == 119
