"""Every outside check holds, and each can fail. (That the page shows them as they are now is
held with the other pages, in test_docs.)"""

from __future__ import annotations

import math

import pytest

from oracles.outside_checks import TOPICS, Check

CHECKS = {f"{topic}: {check.what}": check for topic, made in TOPICS.items() for check in made()}


@pytest.mark.parametrize("name", CHECKS)
def test_outside_check(name: str) -> None:
    check = CHECKS[name]
    expected, obtained = check.values()
    assert abs(obtained - expected) <= check.within, check.source


@pytest.mark.parametrize("name", CHECKS)
def test_what_is_allowed_is_small(name: str) -> None:
    """A tolerance as large as the value would let anything through."""
    check = CHECKS[name]
    expected, obtained = check.values()
    assert math.isfinite(obtained)
    assert check.within < 0.02 * max(abs(expected), 0.5)


def test_a_wrong_value_fails() -> None:
    wrong = Check("x", "s", 1.0, lambda: 1.1, 0.01)
    expected, obtained = wrong.values()
    assert abs(obtained - expected) > wrong.within
