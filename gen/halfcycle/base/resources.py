"""The package's own files: templates and C that it ships. Imported only where one is needed."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import jinja2


def harness_text(name: str) -> str:
    """The text of a file of ``c_harness``."""
    return files("halfcycle.c_harness").joinpath(name).read_text(encoding="utf-8")


def _template_text(name: str) -> str:
    return files("halfcycle.templates").joinpath(name).read_text(encoding="utf-8")


@cache
def templates(*, html: bool = False) -> jinja2.Environment:
    """The templates; ``html``: values are escaped, and lines of statements leave no trace."""
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(_template_text),
        # A name that a template misspells is an error, not an empty text.
        undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
        autoescape=html,
        trim_blocks=html,
        lstrip_blocks=html,
    )
