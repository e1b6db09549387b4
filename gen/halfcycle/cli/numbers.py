"""Whole numbers that a user gives, their ranges in words."""

from __future__ import annotations

import click


class Whole(click.IntRange):
    """A whole number in a range that has a least one."""

    def _describe_range(self) -> str:
        """What click's help shows, instead of ``0<=x<=9``."""
        return f"{self.min} or more" if self.max is None else f"{self.min} to {self.max}"


def range_words(kind: click.IntRange) -> str:
    """``a whole number from 0 to 9``; ``a whole number of 1 or more``."""
    if kind.max is None:
        return f"a whole number of {kind.min} or more"
    return f"a whole number from {kind.min} to {kind.max}"
