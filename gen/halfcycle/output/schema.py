"""The published JSON Schema of what the commands print with ``--json``.

What ``halfcycle design --json`` prints is ``#/$defs/command.design``, and so on.
``python tests/accept.py schemas`` writes it anew after a change of the models.
"""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Literal

from pydantic.json_schema import GenerateJsonSchema, models_json_schema

from halfcycle.output import design, runs
from halfcycle.output.base import Entry, Refused

SCHEMA_FILE = "output.schema.json"

OUTPUTS: dict[str, tuple[type[Entry], ...]] = {
    "start": (design.Start,),
    "windows": (design.Windows,),
    "design": (design.Design, Refused),
    "generate": (design.Generate,),
    "check": (runs.Checks, runs.Tick),
    "retune": (design.Retune, Refused),
    "simulate": (runs.Simulate, Refused),
    "report": (runs.Report, Refused),
    "targets": (runs.Targets, Refused),
    "replay": (runs.Replay, Refused),
    "calibrate": (runs.Calibrate,),
}
"""What a command may print, by its name; the usual first."""


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
    return files("halfcycle.output").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
