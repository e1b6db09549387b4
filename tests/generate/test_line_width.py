"""No line of the generated C is longer than 100 columns, and it is the same C."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from halfcycle.generate import emit
from halfcycle.generate.line_width import WIDTH, within
from halfcycle.spec.c_names import MAX_LENGTH
from support import goldens
from support.plan_cases import CASES, render

LONG = "a_very_long_name_of_a_unit"[:MAX_LENGTH].rstrip("_").ljust(MAX_LENGTH, "x")


def longest(text: str) -> int:
    return max(map(len, text.splitlines()))


def tokens(text: str) -> list[str]:
    """What a compiler sees: lines of directives, and the words between blanks of all else."""
    bare = re.sub(r"/\*.*?\*/", " ", text, flags=re.DOTALL)
    found = []
    for line in bare.splitlines():
        found += [line.strip()] if line.startswith("#") else line.split()
    return found


@pytest.mark.parametrize(
    "spec", (*goldens.specs(), *goldens.scenarios()), ids=lambda path: path.stem
)
def test_comments_ran_to_167_columns_and_a_condition_to_162(spec: object) -> None:
    for path, text in goldens.fresh(spec).items():  # type: ignore[arg-type]
        assert longest(text) <= WIDTH, path.name


@pytest.mark.parametrize("case", CASES)
def test_the_longest_name_keeps_the_width_and_the_c_is_the_same(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every variant of the C with a name as long as a spec may have it."""
    plan = replace(CASES[case], name=LONG)
    held = render(plan)
    monkeypatch.setattr(emit, "within", lambda text: text)
    free = render(plan)
    assert max(map(longest, free.values())) > WIDTH
    for name, text in held.items():
        assert longest(text) <= WIDTH, name
        assert tokens(text) == tokens(free[name])


def test_long_lines_are_broken_where_they_are_read_with_ease() -> None:
    words = "a word " * 16
    beside = within(f"    int x; /* {words}end */").splitlines()
    assert [line[:14] for line in beside] == ["    int x; /* ", " " * 14]
    assert beside[0].split()[3:] + beside[1].split() == f"{words}end */".split()
    # Code that leaves no room beside it has the comment above.
    code = "    s->values[at] = (uint16_t)((s->values[at] + 1u) & 65535u);"
    assert within(f"{code} /* {words}end */").splitlines()[-1] == code
    condition = f"    if ((first == 0u) && ({'b' * 50} ? {'c' * 9} : {'d' * 9})) {{"
    assert within(condition).splitlines() == [
        "    if ((first == 0u) &&",
        f"            ({'b' * 50} ? {'c' * 9} : {'d' * 9})) {{",
    ]
    # A directive, which only a backslash would break, and a short line stay as they are.
    define = f"#define NAME {'1' * 100}"
    assert within(define) == define and within("a, b") == "a, b"
