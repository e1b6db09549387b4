"""The C of the documentation that logs, with the regulator of a Plan and a loop that calls both."""

from __future__ import annotations

from documentation.pages import DOCS, blocks
from halfcycle.regulator.plan import Plan
from support.plan_cases import render

LOOP = """
static void run(int updates) {
    static struct peat_cabin_state s;
    int update;
    long n = 0;
    peat_cabin_reset(&s);
    for (update = 0; update < updates; update++) {
        int due = 0;
        if (update == updates / 4) peat_cabin_set_target_mv(&s, 200000);
        if (update == updates / 2) peat_cabin_set_target_mv(&s, 230000);
        while (!due) {
            const long size = ((long)peat_cabin_scale(&s) * SIZE) / 16384 + n % 3;
            due = peat_cabin_sample(&s, (uint16_t)(ZERO + ((n & 1) ? size : -size)));
            n++;
        }
        peat_cabin_update(&s);
        log_fill(&s);
        if (update % 7 == 0) {
            peat_cabin_update(&s); /* Takes nothing, and so has no row. */
            log_fill(&s);
        }
        if (update % 10 == 0 && (update < 150 || update > 300)) log_print(send);
    }
    log_print(send);
}
"""
"""Runs from a reset on; ``send`` comes before it."""


def logging_texts(plan: Plan, before: str, after: str) -> dict[str, str]:
    """Files by their names: the regulator's, ``bench_log.c`` and ``main.c``, which includes that
    one: ``before``, ``LOOP`` and ``after``."""
    page = (DOCS / "how-to" / "identify-a-board.md").read_text("utf-8")
    (code,) = (block.text for block in blocks(page) if block.language == "c")
    # The size that reads as rated at a scale of 0.8 is wide of the converter's ends.
    size = plan.magnitude_max * 9 // 10
    loop = LOOP.replace("ZERO", str(plan.zero_code)).replace("SIZE", str(size))
    main = f'#include "bench_log.c"\n{before}{loop}{after}'
    texts = render(plan)
    for name, general in (("bench_log.c", code), ("main.c", main)):
        texts[name] = general.replace("peat_cabin", plan.name).replace(
            "PEAT_CABIN", plan.name.upper()
        )
    return texts
