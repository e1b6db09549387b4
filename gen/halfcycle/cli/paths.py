"""Paths that a user gives, and the option that lets a command replace another's file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from halfcycle.base.command_words import FORCE


class GivenPath(click.Path):
    """A path of at least one character: an empty one would be the folder at hand, which nobody
    means who gives a variable that is not set."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("is empty", param, ctx)
        return super().convert(value, param, ctx)


PATH = GivenPath(path_type=Path)

force_option: Callable[[Any], Any] = click.option(
    FORCE, is_flag=True, help="Replace the file even if something else wrote it."
)
