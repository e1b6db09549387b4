"""The scenarios again with gcc's undefined-behaviour and address sanitizers in the C.

Source of the options: gcc manual, "Program Instrumentation Options", from memory. The gate is
itself tried on planted defects, since a sanitizer that is not linked in passes everything.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from support import plan_cases
from support.paths import TESTS

pytestmark = pytest.mark.full

RUN = """
import os, sys
del os.environ["LD_PRELOAD"]  # Loaded here; the compiler runs without it, in its limits.
sys.path.insert(0, sys.argv[1])
from support import plan_cases
from halfcycle.verify.compare import verify
case, old, new = sys.argv[2:]
plan = plan_cases.CASES[case]
texts = plan_cases.render(plan)
name = plan.name + ".c"
assert not old or old in texts[name]
texts[name] = texts[name].replace(old, new) if old else texts[name]
flags = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
result = verify(plan, texts, samples=200_000, flags=flags)
print("MISMATCH" if result.mismatch else "EQUAL")
"""


def sanitized(case: str, old: str = "", new: str = "") -> subprocess.CompletedProcess[str]:
    library = subprocess.run(
        ["gcc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=True
    ).stdout.strip()
    environment = {**os.environ, "CC": "gcc", "LD_PRELOAD": str(Path(library).resolve())}
    environment["ASAN_OPTIONS"] = "detect_leaks=0"  # Python itself keeps memory to the end.
    return subprocess.run(
        [sys.executable, "-c", RUN, str(TESTS), case, old, new],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
    )


@pytest.mark.parametrize("case", plan_cases.in_sets(()))
def test_no_undefined_behaviour_in_any_scenario(case: str) -> None:
    ran = sanitized(case)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout == "EQUAL\n"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("(UINT32_C(1) << shift) >> 1", "(UINT32_C(1) << (shift + 32u)) >> 1", "shift exponent"),
        ("const int32_t step = ", "const int32_t step = 1000000 * ", "signed integer overflow"),
        ("reed_lamp_quarter[index + 1u]", "reed_lamp_quarter[index + 2u]", "out of bounds"),
    ],
)
def test_planted_undefined_behaviour_is_caught(old: str, new: str, message: str) -> None:
    ran = sanitized("mean", old, new)
    assert ran.returncode != 0
    assert message in ran.stderr or "global-buffer-overflow" in ran.stderr
