"""The layouts of interrupts in the documentation, compiled as a firmware would and run."""

from __future__ import annotations

import re
import subprocess

import pytest

from halfcycle.verify import compiler
from support.paths import DOCS, EXAMPLES

PAGE = DOCS / "how-to" / "lay-out-the-interrupts.md"
LAYOUTS = re.findall(r"^## (.*?)$.*?^```c\n(.*?)^```$", PAGE.read_text(), re.MULTILINE | re.DOTALL)
REGULATOR = EXAMPLES / "ferry_galley"
CALLS = ("reset", "sample", "update", "drive", "hold", "set_target_mv")
BOARD = """
#include <stdint.h>
static int tripped;
static int32_t drive;
static uint32_t ticks;
static int bridge;
uint16_t board_phase(void) { return (uint16_t)(ticks * 3932u); }
uint16_t board_adc(void)
{
    return (uint16_t)(2048 + ((bridge != 0) ? drive / 24 : 0));
}
void board_duty(int16_t now) { drive = now; }
void board_bridge(int on) { bridge = on; }
int board_tripped(void) { return tripped; }
int32_t board_wanted_mv(void) { return 100000; }
void board_request_update(void) {}
void board_feed_watchdog(void) {}
"""
POLLED = """
int main(void)
{
    int fallen;
    start();
    for (ticks = 0u; ticks < 40000u; ticks++) {
        tripped = (ticks >= 20000u) && (ticks < 20200u);
        timer_interrupt();
        main_loop();
        if ((ticks == 19999u) && ((bridge == 0) || (ferry_galley_scale(&regulator) == 0))) {
            return 1; /* it never started */
        }
        if ((ticks == 20199u) && ((bridge != 0) || (ferry_galley_scale(&regulator) != 0))) {
            return 2; /* it did not fall */
        }
    }
    fallen = (bridge == 0) || (ferry_galley_scale(&regulator) == 0);
    return fallen ? 3 : 0; /* it did not start again */
}
"""


def texts(layout: str) -> dict[str, str]:
    files = {name: (REGULATOR / name).read_text() for name in ("ferry_galley.h", "ferry_galley.c")}
    return {**files, "layout.c": layout}


def test_the_page_has_three_layouts_with_every_call_that_a_firmware_needs() -> None:
    assert len(LAYOUTS) == 3
    for name, layout in LAYOUTS:
        assert not [call for call in CALLS if f"ferry_galley_{call}(" not in layout], name


@pytest.mark.parametrize(("name", "layout"), LAYOUTS, ids=[name for name, _ in LAYOUTS])
@pytest.mark.parametrize("language", ["c99", "c++17"])
def test_a_layout_compiles_without_warnings(
    name: str, layout: str, language: compiler.Language
) -> None:
    assert compiler.strict_messages(texts(layout), ["layout.c"], language) == "", name


def test_the_polled_layout_starts_falls_and_starts_again() -> None:
    """The one that runs on a single thread as it stands; its bridge and sensor are a few lines."""
    _, layout = LAYOUTS[2]
    program = compiler.build_program(texts(layout + BOARD + POLLED), ["layout.c", "ferry_galley.c"])
    assert subprocess.run([program], check=False).returncode == 0
