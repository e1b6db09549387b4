"""The published JSON Schema of what the commands print with ``--json``.

What ``halfcycle design --json`` prints is ``#/$defs/command.design``, and so on.
``python -m halfcycle.output_schema --accept`` writes it anew after a change of the models.
"""

from __future__ import annotations

import json
import sys
from importlib.resources import files
from typing import Literal

from pydantic.json_schema import GenerateJsonSchema, models_json_schema

from halfcycle.output_base import Entry
from halfcycle.output_models import OUTPUTS

SCHEMA_FILE = "output.schema.json"
ACCEPT = "python -m halfcycle.output_schema --accept"


class _Plain(GenerateJsonSchema):
    """Without pydantic's titles, which only say the key in other letters."""

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def schema() -> dict[str, object]:
    """The JSON Schema (draft 2020-12) as the models have it."""
    every: list[tuple[type[Entry], Literal["serialization"]]] = [
        (model, "serialization") for models in OUTPUTS.values() for model in models
    ]
    refs, made = models_json_schema(every, schema_generator=_Plain)

    commands = {
        f"command.{command}": {"anyOf": [refs[model, "serialization"] for model in models]}
        for command, models in OUTPUTS.items()
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What the commands of halfcycle print with --json",
        "anyOf": [{"$ref": f"#/$defs/{name}"} for name in commands],
        "$defs": commands | made["$defs"],
    }


def schema_text() -> str:
    """The schema, ready to be stored."""
    return json.dumps(schema(), indent=2) + "\n"


def published_text() -> str:
    """The JSON Schema as it was published with this version."""
    return files("halfcycle").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")


if __name__ == "__main__":
    if sys.argv[1:] == ["--accept"]:
        from pathlib import Path

        from halfcycle.files import write_atomic

        write_atomic(Path(__file__).with_name(SCHEMA_FILE), schema_text())
    else:
        sys.stdout.write(schema_text())
