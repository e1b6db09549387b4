"""Changing a few values of a spec file: comments, order, spelling and line ends stay as they are.

The result is read back before anything is written: every key that was given holds exactly its
new value, every other value is unchanged, and the spec as a whole is still good.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import Any, cast

from halfcycle.base import exact
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.files import Place, write_atomic
from halfcycle.base.text import printable
from halfcycle.spec.load import parse_spec, read_text
from halfcycle.spec.models import Spec, Value
from halfcycle.spec.toml_text import literal


def edit_file(
    path: Path | str, values: Mapping[str, Value | None], computed_from: str | None = None
) -> Spec:
    """Give the dotted keys of ``values`` their new values in the spec file; returns the new Spec.

    A ``None`` removes the key or the whole table. The file is replaced whole, or left alone.
    ``computed_from``: the file's text that the values were computed from, if any.
    Raises InputError if the file is no spec, or would be none, or cannot be written, or has
    another text than ``computed_from`` by now.
    """
    path = Path(path)
    file = printable(str(path))
    changed = Fault(
        file, "file", "was changed by another program meanwhile", "look at it, and run again"
    )
    before, mark = read_text(path)
    if computed_from is not None and before != computed_from:
        raise InputError([changed])
    after = edit_text(before, values, file)

    def permit(_: str, place: Place) -> None:
        if read_text(place.path) != (before, mark):
            raise InputError([changed])

    write_atomic(path, (("\ufeff" if mark else "") + after).encode("utf-8"), permit)
    return parse_spec(after, file)


def edit_text(text: str, values: Mapping[str, Value | None], file: str = "spec") -> str:
    """The text of a spec with the dotted keys of ``values`` changed; ``None`` removes.

    Exact: a fraction is written as a decimal where that ends within ``MAX_DECIMAL``
    characters, else as a string such as "50/3". Keys and tables that are not there yet are added.
    Raises InputError if ``text`` is no spec, or the result would be none.
    """
    import tomlkit  # noqa: PLC0415
    from tomlkit.exceptions import TOMLKitError  # noqa: PLC0415

    parse_spec(text, file)
    try:
        document = tomlkit.parse(text)
        for key, value in values.items():
            _change(document, key.split("."), value)
        changed = document.as_string()
    except (TOMLKitError, TypeError, AttributeError, KeyError):
        raise _not_editable(values, file) from None
    if "\r\n" in text and "\n" not in text.replace("\r\n", ""):
        changed = changed.replace("\r\n", "\n").replace("\n", "\r\n")
    spec = parse_spec(changed, file)  # What a new value may clash with is the user's to know.
    if _flat(changed) != _wanted(text, values) or any(
        spec.values().get(key) != value for key, value in values.items() if value is not None
    ):
        raise _not_editable(values, file)
    return changed


def _change(document: MutableMapping[str, Any], path: list[str], value: Value | None) -> None:
    import tomlkit  # noqa: PLC0415

    table = document
    for name in path[:-1]:
        if value is None and name not in table:
            return
        if name not in table:
            table[name] = tomlkit.table()
        table = cast(MutableMapping[str, Any], table[name])
    if value is None:
        table.pop(path[-1], None)
    else:
        table[path[-1]] = tomlkit.value(literal(value))


def _flat(text: str) -> dict[str, object]:
    """Every value of a TOML text by its dotted key; numbers as written, but for their spelling."""
    flat: dict[str, object] = {}

    def walk(table: Mapping[str, Any], prefix: str) -> None:
        for key, value in table.items():
            if isinstance(value, dict):
                walk(value, f"{prefix}{key}.")
                continue
            flat[prefix + key] = value
            with contextlib.suppress(exact.NotANumberError):
                flat[prefix + key] = exact.fraction(value)

    walk(tomllib.loads(text, parse_float=exact.NumberText), "")
    return flat


def _wanted(text: str, values: Mapping[str, Value | None]) -> dict[str, object]:
    flat = _flat(text)
    for key, value in values.items():
        if value is None:
            flat = {k: v for k, v in flat.items() if k != key and not k.startswith(f"{key}.")}
        else:
            (flat[key],) = _flat(f"x = {literal(value)}").values()
    return flat


def _not_editable(values: Mapping[str, Value | None], file: str) -> InputError:
    remedy = "; ".join(
        f"remove {key}" if value is None else f"write {key} = {literal(value)}"
        for key, value in values.items()
    )
    problem = "this layout cannot be edited without losing something"
    return InputError([Fault(file, "file", problem, f"edit it by hand: {remedy}")])
