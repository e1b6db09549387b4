"""From the text of a spec file to a Spec, or to every fault of the text at once."""

from __future__ import annotations

import codecs
import difflib
import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from halfcycle.base import files
from halfcycle.base.errors import Fault, InputError
from halfcycle.base.exact import NumberText, kind
from halfcycle.base.text import printable
from halfcycle.spec.cross_checks import clashes
from halfcycle.spec.kinds import BadValueError, Kind
from halfcycle.spec.models import Spec, Table

MAX_FILE_BYTES = 65536
"""Bytes. A spec has about two thousand; more is some other file."""


def load_spec(path: Path | str) -> Spec:
    """Read and check a spec file (UTF-8 TOML).

    Raises:
        InputError: with every fault; the file is named as it was given.
    """
    return parse_spec(read_text(path)[0], printable(str(path)))


def read_text(path: Path | str) -> tuple[str, bool]:
    """A spec file's text, line ends as they are, and whether a byte-order mark came before it.

    Raises:
        InputError: where it is no file of a spec's size and encoding.
    """
    file = printable(str(path))
    try:
        data = files.read_regular(path, MAX_FILE_BYTES)
    except files.NotRegularError as error:
        problem = str(error.strerror).replace("is", "this is", 1)
        raise _input_error(file, "file", problem, "name a spec file") from None
    except files.TooLongError:
        problem = f"longer than {MAX_FILE_BYTES} bytes, so this is not a spec"
        raise _input_error(file, "file", problem, "name a spec file") from None
    except FileNotFoundError:
        remedy = "check the path, or write one with: halfcycle start NAME"
        raise _input_error(file, "file", "there is no such file", remedy) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _input_error(file, "file", f"cannot be read: {reason}", "check the path") from None
    try:
        # Some editors put a byte-order mark first; TOML has none.
        return data.decode("utf-8-sig"), data.startswith(codecs.BOM_UTF8)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise _input_error(
            file, f"line {line}", "not UTF-8 text", "save the file as UTF-8"
        ) from None


def parse_spec(text: str, file: str) -> Spec:
    """Check the text of a spec; ``file`` is the name that faults carry.

    Raises:
        InputError: with every fault of the text, in the order of the spec's keys.
    """
    raw = _read_toml(text, file)
    try:
        spec = Spec.model_validate(raw)
    except ValidationError as error:
        faults = [_fault(detail, file) for detail in error.errors()]
        faults += [Fault(file, *clash) for clash in clashes(_salvage(Spec, raw), partial=True)]
        raise InputError(faults) from None
    faults = [Fault(file, *clash) for clash in clashes(spec)]
    if faults:
        raise InputError(faults)
    return spec


def _input_error(file: str, key: str, problem: str, remedy: str) -> InputError:
    return InputError([Fault(file, key, problem, remedy)])


def _read_toml(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text, parse_float=NumberText)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
        if place:
            key = f"line {place[1]}"
            problem = f"not TOML: {message[: place.start()]}, at column {place[2]}"
        else:
            key, problem = f"line {text.count(chr(10)) + 1}", f"not TOML: {message}"
        raise _input_error(file, key, printable(problem), "correct the line") from None
    except RecursionError:
        raise _input_error(
            file, "file", "nested too deeply", "a spec has tables of plain values"
        ) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise _input_error(file, "file", printable(str(error)), "correct the number") from None


def _models() -> dict[str, type[Table]]:
    """The tables of a spec by their name."""
    tables: dict[str, type[Table]] = {}
    for key, field in Spec.model_fields.items():
        options = (field.annotation, *getattr(field.annotation, "__args__", ()))
        for option in options:
            if isinstance(option, type) and issubclass(option, Table):
                tables[key] = option
    return tables


def _fault(detail: ErrorDetails, file: str) -> Fault:
    """One pydantic error in words for the user."""
    path = [str(part) for part in detail["loc"]]
    key = printable(".".join(path))[:120]
    if detail["type"] == "extra_forbidden":
        return Fault(file, key, *_unknown(path, detail["input"]))
    if detail["type"] == "missing":
        return Fault(file, key, *_missing(path))
    if detail["type"] == "value_error":
        refused = detail["ctx"]["error"]
        if isinstance(refused, BadValueError):
            return Fault(file, key, refused.problem, refused.remedy)
    problem = f"{kind(detail['input'])}, but a table is needed"
    return Fault(file, key, problem, f"write [{key}] on a line of its own and its keys below")


def _missing(path: list[str]) -> tuple[str, str]:
    models = _models()
    if len(path) == 1 and path[0] in models:
        fields = models[path[0]].model_fields
        needed = ", ".join(name for name, field in fields.items() if field.is_required())
        return "the table is missing", f"add [{path[0]}] with {needed}"
    model = models[path[0]] if len(path) > 1 else Spec
    about = _kind_of(model, path[-1]).describe()
    return "the key is missing", f"add it ({about})"


def _unknown(path: list[str], value: Any) -> tuple[str, str]:
    models = _models()
    what = "table" if isinstance(value, dict) else "key"
    home = f"{path[0]}." if len(path) > 1 else ""
    model = models[path[0]] if len(path) > 1 else Spec
    here = [home + name for name in model.model_fields]
    everywhere = list(Spec.model_fields)
    everywhere += [f"{table}.{name}" for table, m in models.items() for name in m.model_fields]
    written = path[-1][:60]
    moved = [key for key in everywhere if key.rpartition(".")[2] == written]
    near = (
        moved
        or difflib.get_close_matches(home + written, here, n=1, cutoff=0.75)
        or difflib.get_close_matches(home + written, everywhere, n=1, cutoff=0.75)
        or difflib.get_close_matches(home + written, here, n=1, cutoff=0)
    )
    return f"unknown {what}", f"the nearest known one is {near[0]}; correct or remove it"


def _kind_of(model: type[Table], key: str) -> Kind:
    rule = model.model_fields[key].metadata[0]
    assert isinstance(rule, Kind)
    return rule


def _salvage(model: type[Table], raw: dict[str, Any]) -> Any:
    """A ``model`` of the good values only: what was faulty or missing is no attribute of it."""
    good: dict[str, Any] = {}
    bad: list[str] = []
    models = _models() if model is Spec else {}
    for key, field in model.model_fields.items():
        if key in models:
            table = raw.get(key)
            if key not in raw and not field.is_required():
                continue
            good[key] = _salvage(models[key], table if isinstance(table, dict) else {})
        elif key in raw:
            try:
                good[key] = _kind_of(model, key).check(raw[key])
            except BadValueError:
                bad.append(key)
    partial = model.model_construct(**good)
    for key in bad:
        partial.__dict__.pop(key, None)
    return partial
