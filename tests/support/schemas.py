"""The JSON Schemas that the package carries; ``python tests/accept.py schemas`` writes them."""

from __future__ import annotations

from halfcycle.base.files import write_atomic
from halfcycle.output import schema as output_schema
from halfcycle.spec import schema as spec_schema
from support.paths import ROOT

ACCEPT = "python tests/accept.py schemas"


def accept_schemas() -> None:
    """Write both schemas as the models are now."""
    for module in (spec_schema, output_schema):
        room = module.__name__.split(".")[-2]
        path = ROOT / "gen" / "halfcycle" / room / module.SCHEMA_FILE
        if write_atomic(path, module.schema_text()):
            print(f"accepted {path.name}")
