"""Readers on other threads, under ThreadSanitizer: what a reader on another core may see.

It cannot judge volatile, so the C is built with ``_Atomic`` in its place (C11), which orders at
least as much as a volatile access and the fences that the header asks of such a machine.
"""

from __future__ import annotations

import subprocess

import pytest

from halfcycle.verify import compiler
from support import plan_cases

pytestmark = pytest.mark.full

MAIN = """
#include <pthread.h>
#include <sched.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#define volatile _Atomic
#include "NAME.h"

#define UPDATES 20000u

static struct NAME_state state;
static _Atomic int running = 1;

/* Of a whole reading: its flags are among the latched ones, which nobody clears here; its count
   does not go back; its scale and its voltage are those of that count. */
static int16_t scales[UPDATES + 1u];
static int32_t readings[UPDATES + 1u];
static _Atomic uint32_t published;
/* How often a watcher has looked: on a machine with much else to do the updates would be over
   before one has begun. Relaxed, so that it orders nothing. */
static _Atomic uint32_t looks;

static void *watch(void *wrong)
{
    uint16_t before = 0u;
    while (running != 0) {
        struct NAME_reading now;
        (void)atomic_fetch_add_explicit(&looks, 1u, memory_order_relaxed);
        (void)NAME_scale(&state);
        (void)NAME_flags(&state);
        (void)NAME_rms_mv(&state);
        (void)NAME_drive(&state, 12345u);
        if (NAME_read(&state, &now) != 0) {
            if ((now.updates < before) || ((now.flags & ~now.latched) != 0)) {
                *(int *)wrong = 1;
            }
            if ((now.updates <= published)
                && ((now.scale != scales[now.updates]) || (now.rms_mv != readings[now.updates]))) {
                *(int *)wrong = 2;
            }
            before = now.updates;
        }
    }
    return wrong;
}

int main(void)
{
    pthread_t threads[2];
    int wrong[2] = {0, 0};
    uint32_t n;
    NAME_reset(&state);
    for (n = 0u; n < 2u; n++) {
        if (pthread_create(&threads[n], NULL, watch, &wrong[n]) != 0) {
            return 9;
        }
    }
    for (n = 1u; n <= UPDATES; n++) {
        NAME_set_target_mv(&state, (int32_t)(n * 37u % 250000u));
        if (n % 11u == 0u) {
            NAME_hold(&state);
        }
        while (NAME_sample(&state, (uint16_t)(n * 2654435761u >> 20)) == 0) {
        }
        NAME_update(&state);
        scales[n] = NAME_scale(&state);
        readings[n] = NAME_rms_mv(&state);
        published = n;
        while (atomic_load_explicit(&looks, memory_order_relaxed) < n / 8u) {
            (void)sched_yield();
        }
    }
    running = 0;
    for (n = 0u; n < 2u; n++) {
        (void)pthread_join(threads[n], NULL);
    }
    return wrong[0] + wrong[1];
}
"""


def run(case: str, old: str = "", new: str = "") -> subprocess.CompletedProcess[str]:
    plan = plan_cases.CASES[case]
    files = plan_cases.render(plan)
    header, source = (f"{plan.name}{ending}" for ending in (".h", ".c"))
    assert old in files[header]
    texts = {
        header: files[header].replace(old, new, 1) if old else files[header],
        source: f"#define volatile _Atomic\n{files[source]}",
        "main.c": MAIN.replace("NAME", plan.name),
    }
    options = ["-fsanitize=thread", "-O1", "-g", "-pthread"]
    try:
        program = compiler.build_program(texts, ["main.c", source], (), options, "c11")
    except compiler.CompileError as error:
        if "sanitize" in str(error) or "tsan" in str(error):
            pytest.skip("the compiler here has no ThreadSanitizer")
        raise
    return subprocess.run([program], capture_output=True, text=True, timeout=300, check=False)


@pytest.mark.parametrize("case", ["mean one sample", "moving flat"])
def test_readers_on_other_threads_race_with_nothing(case: str) -> None:
    ran = run(case)
    assert ran.returncode == 0 and "WARNING" not in ran.stderr, ran.stderr[:2000]


def test_a_race_is_seen() -> None:
    # The sanitizer remembers four accesses of eight bytes: on a busy machine it may miss one.
    tries = (
        run("mean one sample", "volatile int16_t reading[2]", "int16_t reading[2]")
        for _ in range(8)
    )
    assert any("data race" in ran.stderr for ran in tries)
