"""The Spec and its loader: what the rest of the tool imports (``spec_models``, ``spec_load``)."""

from halfcycle.spec_load import load_spec, parse_spec
from halfcycle.spec_models import (
    Arithmetic,
    Bridge,
    Filter,
    Gains,
    Load,
    Loop,
    Output,
    Sensor,
    Spec,
    Targets,
    Value,
)

__all__ = [
    "Arithmetic",
    "Bridge",
    "Filter",
    "Gains",
    "Load",
    "Loop",
    "Output",
    "Sensor",
    "Spec",
    "Targets",
    "Value",
    "load_spec",
    "parse_spec",
]
