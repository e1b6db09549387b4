"""Spec files with keys changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import tomlkit

from halfcycle.spec.load import parse_spec
from halfcycle.spec.models import Spec
from support.paths import example


def changed_text(name: str = "peat_cabin", **keys: Any) -> str:
    """An example's text with dotted keys (``table__key=value``) set; None removes a key."""
    document: Any = tomlkit.parse(example(name).read_text(encoding="utf-8"))
    for dotted, value in keys.items():
        table, _, key = dotted.partition("__")
        place = document.setdefault(table, tomlkit.table()) if key else document
        if value is None:
            del place[key or table]
        else:
            place[key or table] = value
    return str(tomlkit.dumps(document))


def changed_spec(name: str = "peat_cabin", **keys: Any) -> Spec:
    """The Spec of ``changed_text``."""
    return parse_spec(changed_text(name, **keys), f"{name}.toml")


def changed_file(folder: Path, name: str = "peat_cabin", **keys: Any) -> Path:
    """``changed_text`` as NAME.toml in ``folder``."""
    path = folder / f"{name}.toml"
    path.write_text(changed_text(name, **keys), encoding="utf-8")
    return path
