"""The published JSON Schema of a spec file, for completion and checks in an editor.

``python tests/accept.py schemas`` writes it anew after a change of the models.
"""

from __future__ import annotations

import contextlib
import json
from importlib.resources import files

from halfcycle.base import exact
from halfcycle.spec import kinds
from halfcycle.spec.models import Spec

SCHEMA_FILE = "spec.schema.json"


def schema_text() -> str:
    """The JSON Schema (draft 2020-12) as the models have it, ready to be stored."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Spec.model_json_schema(),
        "title": "halfcycle spec file",
    }
    return json.dumps(_neutral(schema), indent=2, sort_keys=True) + "\n"


def published_text() -> str:
    """The JSON Schema as it was published with this version."""
    return files("halfcycle.spec").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")


def _neutral(node: object) -> object:
    """Drop pydantic's titles (the key in other letters) and its stand-in for an absent table.

    Defaults come as strings from the fractions; as numbers they read better in an editor.
    """
    if isinstance(node, list):
        return [_neutral(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {key: value for key, value in node.items() if key != "title" or isinstance(value, dict)}
    options = [option for option in kept.get("anyOf", ()) if option != {"type": "null"}]
    if len(options) == 1:
        del kept["anyOf"]
        kept.update(options[0])
    if kept.get("default", 0) is None:
        del kept["default"]
    with contextlib.suppress(exact.NotANumberError):
        if isinstance(kept.get("default"), str):
            kept["default"] = kinds.plain(exact.fraction(kept["default"]))
    return {key: _neutral(value) for key, value in kept.items()}
