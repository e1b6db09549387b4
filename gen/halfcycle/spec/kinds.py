"""The kinds of value that a spec's keys hold. Each kind checks, describes and publishes itself.

An instance stands in the annotation of a model's field; pydantic asks it for the validator and
for the JSON Schema. ``check`` is the whole rule, so the messages are in one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema

from halfcycle.base import exact
from halfcycle.base.text import nearest
from halfcycle.spec import c_names
from halfcycle.spec.toml_text import literal

Bound = int | str


class BadValueError(ValueError):
    """A value that a key cannot take: what is wrong, and what to do about it."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem = problem
        self.remedy = remedy
        super().__init__(f"{problem}; {remedy}")


class Kind:
    """Base of all kinds. ``about`` says in plain words what the key means."""

    def __init__(self, about: str) -> None:
        self.about = about

    def check(self, value: Any) -> Any:
        """Return the value in its final type, or raise BadValueError."""
        raise NotImplementedError

    def describe(self) -> str:
        """Meaning, unit and range in one line, for messages and editors."""
        return self.about

    def json_schema(self) -> JsonSchemaValue:
        """JSON Schema of the values as they may be written."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, core: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"description": self.describe(), **self.json_schema()}


class Quantity(Kind):
    """An exact number with a unit, between ``low`` and ``high`` (``low`` itself unless ``above``).

    Bounds are whole numbers or decimal text, so that they are exact.
    """

    def __init__(
        self, about: str, unit: str, low: Bound, high: Bound, *, above: bool = False
    ) -> None:
        super().__init__(about)
        self.unit = unit
        self.low = exact.fraction(low)
        self.high = exact.fraction(high)
        self.above = above

    def range_text(self) -> str:
        """The range in words, with the unit: ``1 to 2000 Hz``."""
        unit = f" {self.unit}" if self.unit else ""
        if self.above:
            return f"above {exact.text(self.low)}, up to {exact.text(self.high)}{unit}"
        return f"{exact.text(self.low)} to {exact.text(self.high)}{unit}"

    def describe(self) -> str:
        return f"{self.about}: {self.range_text()}"

    def check(self, value: Any) -> Fraction | str:
        try:
            number = exact.fraction(value)
        except exact.NotANumberError as error:
            raise BadValueError(
                str(error),
                f'write a number ({self.range_text()}) or a fraction in a string such as "50/3"',
            ) from None
        low_ok = number > self.low if self.above else number >= self.low
        if not low_ok or number > self.high:
            side = "high" if number > self.high else "low"
            raise BadValueError(f"{brief(number)} is too {side}", f"allowed: {self.range_text()}")
        return number

    def json_schema(self) -> JsonSchemaValue:
        low = "exclusiveMinimum" if self.above else "minimum"
        number = {"type": "number", low: plain(self.low), "maximum": plain(self.high)}
        return {"anyOf": [number, {"type": "string", "pattern": exact.PATTERN}]}


class QuantityOr(Quantity):
    """An exact number as ``Quantity`` has it, or the one ``word`` that is allowed instead."""

    def __init__(
        self,
        about: str,
        unit: str,
        low: Bound,
        high: Bound,
        *,
        above: bool = False,
        word: str = "auto",
    ) -> None:
        super().__init__(about, unit, low, high, above=above)
        self.word = word

    def range_text(self) -> str:
        """The range in words: ``0 to 10000 us, or "auto"``."""
        return f'{super().range_text()}, or "{self.word}"'

    def check(self, value: Any) -> Fraction | str:
        return self.word if value == self.word else super().check(value)

    def json_schema(self) -> JsonSchemaValue:
        return {"anyOf": [*super().json_schema()["anyOf"], {"const": self.word}]}


class Whole(Kind):
    """A whole number between ``low`` and ``high``, or the one ``word`` that is allowed instead."""

    def __init__(
        self, about: str, low: int, high: int, *, unit: str = "", word: str | None = None
    ) -> None:
        super().__init__(about)
        self.low, self.high, self.unit, self.word = low, high, unit, word

    def range_text(self) -> str:
        """The range in words: ``8 to 16``."""
        unit = f" {self.unit}" if self.unit else ""
        word = f', or "{self.word}"' if self.word else ""
        return f"{self.low} to {self.high}{unit}{word}"

    def describe(self) -> str:
        return f"{self.about}: {self.range_text()}"

    def check(self, value: Any) -> int | str:
        if self.word is not None and value == self.word:
            return self.word
        if type(value) is not int:
            raise BadValueError(
                f"{shown(value)} is not a whole number",
                f"write one without a dot: {self.range_text()}",
            )
        if not self.low <= value <= self.high:
            side = "high" if value > self.high else "low"
            raise BadValueError(f"{shown(value)} is too {side}", f"allowed: {self.range_text()}")
        return value

    def json_schema(self) -> JsonSchemaValue:
        number = {"type": "integer", "minimum": self.low, "maximum": self.high}
        return {"anyOf": [number, {"const": self.word}]} if self.word else number


def _meant(value: Any, words: Sequence[str]) -> str:
    """The question whether one of ``words`` was meant; empty if ``value`` is like none."""
    near = nearest(value, words) if isinstance(value, str) else ""
    return f"did you mean {literal(near)}? " if near else ""


class Choice(Kind):
    """One of a few words or whole numbers."""

    def __init__(self, about: str, *options: str | int) -> None:
        super().__init__(about)
        self.options = options

    def check(self, value: Any) -> str | int:
        for option in self.options:
            if type(value) is type(option) and value == option:
                return option
        listed = " or ".join(literal(option) for option in self.options)
        words = [option for option in self.options if isinstance(option, str)]
        remedy = f"{_meant(value, words)}allowed: {listed}"
        raise BadValueError(f"{shown(value)} is not one of the choices", remedy)

    def json_schema(self) -> JsonSchemaValue:
        return {"enum": list(self.options)}


class Several(Kind):
    """A list of names, each one of ``options`` and none twice; it may be empty."""

    def __init__(self, about: str, *options: str) -> None:
        super().__init__(about)
        self.options = options

    def check(self, value: Any) -> tuple[str, ...]:
        listed = ", ".join(literal(option) for option in self.options)
        if not isinstance(value, list | tuple):
            raise BadValueError(
                f"{shown(value)} is not a list", f"write names in brackets; known: {listed}"
            )
        for place, name in enumerate(value):
            if not isinstance(name, str) or name not in self.options:
                remedy = f"{_meant(name, self.options)}known: {listed}"
                raise BadValueError(f"{shown(name)} is not a known name", remedy)
            if name in value[:place]:
                raise BadValueError(f"{shown(name)} stands there twice", "write it once")
        return tuple(value)

    def json_schema(self) -> JsonSchemaValue:
        return {"type": "array", "items": {"enum": list(self.options)}, "uniqueItems": True}


class Flag(Kind):
    """True or false."""

    def check(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise BadValueError(
                f"{shown(value)} is not a boolean", "write true or false, without quotes"
            )
        return value

    def json_schema(self) -> JsonSchemaValue:
        return {"type": "boolean"}


class Name(Kind):
    """The prefix of every generated name, under the policy of ``halfcycle.spec.c_names``."""

    def check(self, value: Any) -> str:
        if not isinstance(value, str):
            raise BadValueError(
                f"{shown(value)} is not a string", 'write a name in quotes: "gauge_hut"'
            )
        try:
            return c_names.check_name(value)
        except c_names.BadNameError as error:
            raise BadValueError(error.problem, error.remedy) from None

    def json_schema(self) -> JsonSchemaValue:
        pattern = "^[A-Za-z][A-Za-z0-9]*(_[A-Za-z0-9]+)*$"
        return {"type": "string", "pattern": pattern, "maxLength": c_names.MAX_LENGTH}


def plain(value: Fraction) -> int | float:
    """The number as JSON would write it."""
    return value.numerator if value.denominator == 1 else float(value)


def brief(value: Fraction) -> str:
    """Exact text where that is short, else five digits."""
    written = exact.text(value)
    return written if len(written) <= 20 else f"{float(value):.5g}"


def shown(value: Any) -> str:
    """A user's value in a message: one short line of printable ASCII, whatever it holds."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, exact.NumberText):
        return value.text[:40]
    if isinstance(value, str):
        return ascii(value[:40] + ("..." if len(value) > 40 else ""))
    if isinstance(value, int):
        return str(value) if abs(value) < 10**20 else "a very large number"
    return exact.kind(value)
