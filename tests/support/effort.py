"""Which cases of a test CI takes, and which only the long run does."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any

import pytest

from support.paths import SPECS


def the_rest_long(
    cases: Iterable[Any], kept: Collection[str], *marks: pytest.MarkDecorator
) -> list[Any]:
    """Every case as a parameter with ``marks``; one whose name is not among ``kept`` is long, too.

    Names are those in a test's brackets: a path's stem, else the case's own text. ValueError of a
    name that no case has: CI would leave out more than was meant."""
    named = {case.stem if isinstance(case, Path) else str(case): case for case in cases}
    unknown = set(kept) - named.keys()
    if unknown:
        raise ValueError(f"no such cases: {sorted(unknown)}")
    return [
        pytest.param(case, id=name, marks=[*marks, *[pytest.mark.long] * (name not in kept)])
        for name, case in named.items()
    ]


def examples(*kept: str) -> list[Any]:
    """Every example's path as a parameter of a test in the full set, those not named long."""
    return the_rest_long(SPECS, kept, pytest.mark.full)
