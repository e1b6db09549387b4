"""What the models of the commands' JSON are made of (``schema`` has the list)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from halfcycle.base import findings as domain

Bounds = tuple[float, float]


def means(text: str, **limits: Any) -> Any:
    """A key that is always there, described."""
    return Field(description=text, **limits)


def sometimes(text: str) -> Any:
    """A key that is left out if it does not apply, described."""
    return Field(default=None, description=text)


class Entry(BaseModel):
    """A JSON object with no keys beyond its own. A value of null: the figure is undefined.

    ``model_validate`` takes a value of the domain whose attributes have the keys' names.
    """

    model_config = ConfigDict(extra="forbid", from_attributes=True)

    def plain(self) -> dict[str, Any]:
        """Dictionaries, lists, numbers, text and None, ready for JSON; no key that was not set."""
        return self.model_dump(exclude_unset=True)


Model = TypeVar("Model", bound=Entry)


def each(model: type[Model], values: Iterable[object]) -> list[Model]:
    """An entry of every value, by the attributes that have the keys' names."""
    return [model.model_validate(value) for value in values]


class Finding(Entry):
    """A remark on a design."""

    level: Literal["error", "warning", "note"] = means("error: a limit is broken (exit code 1)")
    key: str = means("spec key, dotted, or topic")
    text: str = means("what was found; ends in what to do")
    code: str = means("kind of finding, stable from version to version (findings.md)")


class RefusedDesign(Entry):
    """The spec is good, but its targets cannot be met (exit code 1)."""

    findings: list[Finding] = means("why, and the best that is possible")

    @classmethod
    def of(cls, findings: Iterable[domain.Finding]) -> RefusedDesign:
        """What is wrong with a design."""
        return cls(findings=each(Finding, findings))
