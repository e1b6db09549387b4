"""The harness is itself tested: small faults in the C and in the Plan must be noticed.

The outside source is the fault that is put in. ``python tests/mutation`` runs all of them; here are
a seeded draw and the drawing itself.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from mutation.mutants import key, line_of, mutants, plan_mutants
from support import plan_cases
from support.paths import SPECS

HERE = Path(__file__).parent

TEXT = """/* a < b; */
#if X < 2
#endif
int f(struct s *s, int a)
{
    int b = a;
    if (a > 7) {
        s->x = a + 12u;
    }
    return (b < 3) ? b : 0x0F;
}
"""


def test_mutants_of_a_small_function() -> None:
    # Each one worked out by hand; nothing in the comment, the directive or the declarators.
    changes = {(line_of(TEXT, m.start)[0], m.kind, m.old, m.new) for m in mutants(TEXT)}
    assert changes == {
        (7, "operator", ">", ">="),
        (7, "operator", ">", "<"),
        (7, "constant", "7", "8"),
        (7, "constant", "7", "6"),
        (7, "constant", "7", "0"),
        (7, "branch", "a > 7", "!(a > 7)"),
        (8, "operator", "+", "-"),
        (8, "constant", "12", "13"),
        (8, "constant", "12", "11"),
        (8, "constant", "12", "0"),
        (8, "statement", "s->x = a + 12u;", ";"),
        (10, "operator", "<", "<="),
        (10, "operator", "<", ">"),
        (10, "constant", "3", "4"),
        (10, "constant", "3", "2"),
        (10, "constant", "3", "0"),
        (10, "constant", "0x0F", "0x10"),
        (10, "constant", "0x0F", "0xE"),
        (10, "constant", "0x0F", "0x0"),
        (10, "branch", "(b < 3)", "!(b < 3)"),
    }


def test_keys_say_which_change_of_a_line() -> None:
    text = "    a = x + (y + 2u);\n"
    changes = {key("x", text, mutant) for mutant in mutants(text)}
    line = "a = NAME + (y + Nu);"
    assert changes == {
        (line, "operator 1 to -"),
        (line, "operator 2 to -"),
        (line, "constant 1 to +1"),
        (line, "constant 1 to -1"),
        (line, "constant 1 to 0"),
        (line, "gone"),
    }


def test_the_plans_constants_move_by_one() -> None:
    plan = plan_cases.CASES["mean"]
    for what, mutant in plan_mutants(plan):
        field = what.split()[0].split("[")[0]
        assert getattr(mutant, field) != getattr(plan, field)


def test_every_equivalent_has_its_reason() -> None:
    listed = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8"))
    rows = [*listed["code"], *listed["plan"]]
    assert rows and all(len(row["reason"].split()) > 3 for row in rows)


@pytest.mark.full
def test_a_seeded_draw_is_noticed() -> None:
    command = [sys.executable, HERE, *SPECS, "--count", "25", "--seed", "3"]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
