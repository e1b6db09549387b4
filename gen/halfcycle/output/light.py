"""JSON objects that are plain dataclasses, for commands that have to start without pydantic.

``windows`` takes some 170 ms, to which pydantic would add 100. The descriptions of the
keys stand in their annotations, where the published schema finds them (``schema``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

LIMITS = {"ge": "minimum", "gt": "exclusiveMinimum", "le": "maximum", "min_length": "minItems"}
"""A limit's name in ``means`` to its name in a JSON Schema."""


class Means:
    """Describes a key in its annotation; ``limits`` as ``base.means`` takes them."""

    def __init__(self, text: str, **limits: float) -> None:
        self.text = text
        self.limits = limits

    def __get_pydantic_json_schema__(
        self, core: Any, handler: Callable[[Any], dict[str, Any]]
    ) -> dict[str, Any]:
        limits = {LIMITS[name]: limit for name, limit in self.limits.items()}
        return {**handler(core), "description": self.text, **limits}


@dataclass(frozen=True, slots=True)
class LightEntry:
    """A JSON object with no keys beyond its own."""

    __pydantic_config__: ClassVar[Any] = {"extra": "forbid"}

    def plain(self) -> dict[str, Any]:
        """Dictionaries, lists, numbers, text and None, ready for JSON."""
        return asdict(self)
