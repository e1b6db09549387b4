"""The old loop of the page, as its code stands, beside the C that the page's conversion gives, each
on a plant of its own: the outputs take the same steps, window by window."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from documentation.pages import Block, blocks
from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import parse_spec
from halfcycle.verify import compiler
from support.paths import DOCS

PAGE = (DOCS / "how-to" / "move-an-existing-loop-over.md").read_text()
PLANT_GAIN = 1.2
"""Rated voltage per unit of scale, between the corners of the page's unit."""
WINDOWS = 60
RUN = """
#include <math.h>
#include <stdio.h>
#include "old_galley.h"
void old_sample(int32_t code);
extern int32_t old_scale;
static int32_t code_of(double scale, int tick)
{
    double volts = GAIN * 120.0 * sqrt(2.0) * scale * sin(2.0 * 3.14159265358979 * 0.06 * tick);
    return (int32_t)floor(2048.5 + volts / 0.12004);
}
int main(void)
{
    static struct old_galley_state s;
    int tick;
    old_galley_reset(&s);
    old_galley_set_target_mv(&s, 120000L);
    for (tick = 0; tick < 25 * WINDOWS; tick++) {
        old_sample(code_of(old_scale / 1024.0, tick));
        if (old_galley_sample(&s, (uint16_t)code_of(old_galley_scale(&s) / 16384.0, tick)) != 0) {
            old_galley_update(&s);
            printf("%.6f %.6f\\n", old_scale / 1024.0, old_galley_scale(&s) / 16384.0);
        }
    }
    return 0;
}
"""


def written(name: str) -> Block:
    return next(b for b in blocks(PAGE) if b.kind == "write" and b.words[1] == name)


def gains() -> str:
    """What the page's script prints."""
    script = [sys.executable, "-c", written("convert.py").text]
    return subprocess.run(script, capture_output=True, text=True, check=True).stdout


def scales(gains_text: str) -> list[tuple[float, float]]:
    spec = parse_spec(written("old_galley.toml").text + gains_text, "old_galley.toml")
    texts = {**generate(spec).texts, "old.c": written("old_loop.c").text}
    run = RUN.replace("GAIN", str(PLANT_GAIN)).replace("WINDOWS", str(WINDOWS))
    program = compiler.build_program(
        {**texts, "run.c": run}, ["run.c", "old.c", "old_galley.c", "-lm"]
    )
    ran = subprocess.run([Path(program)], capture_output=True, text=True, check=True)
    pairs = [line.split() for line in ran.stdout.splitlines()]
    return [(float(old), float(new)) for old, new in pairs]


def test_the_new_loop_takes_the_old_ones_steps() -> None:
    pairs = scales(gains())
    assert len(pairs) == WINDOWS
    assert pairs[0][0] > 0.05 and abs(pairs[-1][0] - 1 / PLANT_GAIN) < 0.005
    # A code of the old loop's whole-number mean is 0.11 % of rated, and it rounds down.
    assert max(abs(old - new) for old, new in pairs) < 0.003


def test_a_gain_that_is_converted_wrongly_shows() -> None:
    text = gains()
    value = float(re.findall(r"integral_per_s = (.*)", text)[0])
    wrong = scales(text.replace(f"{value:.6g}", f"{value * 1.1107:.6g}"))
    assert max(abs(old - new) for old, new in wrong) > 0.01
