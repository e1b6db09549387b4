"""The scenarios again with clang's integer sanitizer: no wrap, no overflow, no implicit loss.

Source: clang's UndefinedBehaviorSanitizer page, group "integer", from memory: unsigned wrap, signed
overflow, shifts and implicit conversions that lose. Apart from the other sanitizers, since
"undefined,integer" silently drops "integer". A trap ends the process, so each run has its own.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from support import plan_cases
from support.paths import TESTS

pytestmark = pytest.mark.full

RUN = """
import sys
sys.path.insert(0, sys.argv[1])
from support import plan_cases
from halfcycle.verify.compare import verify
case, old, new = sys.argv[2:]
plan = plan_cases.CASES[case]
texts = plan_cases.render(plan)
name = plan.name + ".c"
assert not old or texts[name].count(old) == 1
texts[name] = texts[name].replace(old, new) if old else texts[name]
flags = ["-O1", "-fsanitize=integer", "-fsanitize-trap=integer"]
result = verify(plan, texts, samples=100_000, flags=flags)
print("MISMATCH" if result.mismatch else "EQUAL")
"""


def sanitized(case: str, old: str = "", new: str = "") -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "CC": f"{sys.executable} -m ziglang cc"}
    arguments = [sys.executable, "-c", RUN, str(TESTS), case, old, new]
    return subprocess.run(arguments, capture_output=True, text=True, check=False, env=environment)


@pytest.mark.parametrize("case", plan_cases.in_sets(()))
def test_no_integer_is_lost_in_any_scenario(case: str) -> None:
    ran = sanitized(case)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == "EQUAL\n"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        # Each computes the very same bits, so that only the sanitizer can notice.
        ("((sequence + 256u) - s->taken_sequence)", "((uint32_t)sequence - s->taken_sequence)"),
        ("(uint_least8_t)((s->window_sequence + 1u) & 255u)", "s->window_sequence + 1"),
    ],
    ids=["unsigned wrap", "implicit truncation"],
)
def test_it_sees_what_the_bits_do_not_show(old: str, new: str) -> None:
    ran = sanitized("mean", old, new)
    assert ran.returncode < 0, ran.stdout + ran.stderr  # ended by the trap's signal
