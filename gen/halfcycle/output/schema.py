"""The published JSON Schema of what the commands print as JSON.

What ``halfcycle design`` prints is ``#/$defs/command.design``, and so on.
``python tests/accept.py schemas`` writes it anew after a change of the models.
"""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema

from halfcycle.output.base import Entry, RefusedDesign
from halfcycle.output.calibrate import Calibrate
from halfcycle.output.check import Checks, Tick
from halfcycle.output.design import Design
from halfcycle.output.generate import Generate
from halfcycle.output.identify import Identify
from halfcycle.output.light import LightEntry
from halfcycle.output.replay import Replay
from halfcycle.output.report import Report
from halfcycle.output.retune import Retune
from halfcycle.output.simulate import Simulate
from halfcycle.output.start import Start
from halfcycle.output.targets import Targets
from halfcycle.output.windows import Windows

SCHEMA_FILE = "output.schema.json"

OUTPUTS: dict[str, tuple[type[Entry | LightEntry], ...]] = {
    "start": (Start,),
    "windows": (Windows,),
    "design": (Design, RefusedDesign),
    "generate": (Generate,),
    "check": (Checks, Tick),
    "retune": (Retune, RefusedDesign),
    "simulate": (Simulate, RefusedDesign),
    "report": (Report, RefusedDesign),
    "targets": (Targets, RefusedDesign),
    "replay": (Replay, RefusedDesign),
    "calibrate": (Calibrate,),
    "identify": (Identify, RefusedDesign),
}
"""What a command may print, by its name; the usual first."""


class _Plain(GenerateJsonSchema):
    """Without pydantic's titles, which only say the key in other letters."""

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def schema() -> dict[str, object]:
    """The JSON Schema (draft 2020-12) as the models have it."""
    models = dict.fromkeys(model for models in OUTPUTS.values() for model in models)
    wanted: list[tuple[type, Literal["serialization"], TypeAdapter[Any]]] = [
        (model, "serialization", TypeAdapter(model)) for model in models
    ]
    refs, definitions = TypeAdapter.json_schemas(wanted, schema_generator=_Plain)
    commands = {
        f"command.{command}": {"anyOf": [refs[model, "serialization"] for model in models]}
        for command, models in OUTPUTS.items()
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "What the commands of halfcycle print as JSON",
        "anyOf": [{"$ref": f"#/$defs/{name}"} for name in commands],
        "$defs": commands | definitions["$defs"],
    }


def schema_text() -> str:
    """The schema, ready to be stored."""
    return json.dumps(schema(), indent=2) + "\n"


def published_text() -> str:
    """The JSON Schema as it was published with this version."""
    return files("halfcycle.output").joinpath(SCHEMA_FILE).read_text(encoding="utf-8")
