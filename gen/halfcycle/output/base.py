"""What the models of the commands' JSON are made of (``schema`` has the list)."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Bounds = tuple[float, float]


def means(text: str, **limits: Any) -> Any:
    """A key that is always there, described."""
    return Field(description=text, **limits)


def sometimes(text: str) -> Any:
    """A key that is left out where it does not apply, described."""
    return Field(default=None, description=text)


class Entry(BaseModel):
    """A JSON object with no keys beyond its own. A value of null: the figure is undefined."""

    model_config = ConfigDict(extra="forbid")


class Finding(Entry):
    """A remark on a design."""

    level: Literal["error", "warning", "note"] = means("error: a limit is broken (exit code 1)")
    key: str = means("spec key, dotted, or topic")
    text: str = means("what was found; ends in what to do")
    code: str = means("kind of finding, stable from version to version (findings.md)")


class Refused(Entry):
    """The spec is good, but its targets cannot be met (exit code 1)."""

    findings: list[Finding] = means("why, and the best that can be had")
