"""Which examples a test of minutes takes in the full set, and which only if it is asked to."""

from __future__ import annotations

from typing import Any

import pytest

from support.paths import SPECS

ALIKE = ("apron_cart", "ferry_galley", "moor_signal", "peat_cabin")
"""Examples whose C differs from that of another one in numbers alone."""


def one_of_a_kind() -> list[Any]:
    """Every example's path as a parameter; those that are like another one are long."""
    return [
        pytest.param(
            path, id=path.stem, marks=pytest.mark.long if path.stem in ALIKE else pytest.mark.full
        )
        for path in SPECS
    ]
