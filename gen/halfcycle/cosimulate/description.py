"""``modelDescription.xml`` of a unit, as FMI 2.0 wants it (its section 2.2 and 4.3)."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping
from typing import TYPE_CHECKING

import halfcycle
from halfcycle.cosimulate.variables import Variable, reference

if TYPE_CHECKING:
    from halfcycle.cosimulate.unit import Unit

TOOL = f"halfcycle {halfcycle.__version__}"
MARK = b'generationTool="halfcycle '
"""In the description of every unit that this tool writes."""
UNITS: Mapping[str, Mapping[str, int]] = {
    "V": {"kg": 1, "m": 2, "s": -3, "A": -1},
    "A": {"A": 1},
    "Ohm": {"kg": 1, "m": 2, "s": -3, "A": -2},
    "H": {"kg": 1, "m": 2, "s": -2, "A": -2},
    "F": {"kg": -1, "m": -2, "s": 4, "A": 2},
    "s": {"s": 1},
}
"""The units of Reals, each by the exponents of its base units."""
STOP_S = 1
"""Length of the run that the description proposes, seconds."""


def xml(unit: Unit, guid: str) -> str:
    """The text of the description."""
    root = ET.Element(
        "fmiModelDescription",
        fmiVersion="2.0",
        modelName=unit.identifier,
        guid=guid,
        description=unit.title,
        version=unit.spec_digest,
        license="MIT-0 and MIT: see documentation/licenses/license.txt",
        generationTool=TOOL,
        variableNamingConvention="flat",
    )
    _capabilities(root, unit)
    _units(root, unit)
    categories = ET.SubElement(root, "LogCategories")
    ET.SubElement(categories, "Category", name="logStatusError", description="what went wrong")
    ET.SubElement(
        root,
        "DefaultExperiment",
        startTime="0",
        stopTime=str(STOP_S),
        stepSize=unit.step_text,
    )
    variables = ET.SubElement(root, "ModelVariables")
    for variable in unit.variables:
        variables.append(_variable(unit, variable))
    _structure(root, unit)
    ET.indent(root)
    text: str = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{text}\n'


def _capabilities(root: ET.Element, unit: Unit) -> None:
    slave = ET.SubElement(
        root,
        "CoSimulation",
        modelIdentifier=unit.identifier,
        needsExecutionTool="false",
        canHandleVariableCommunicationStepSize="false",
        canInterpolateInputs="false",
        maxOutputDerivativeOrder="0",
        canRunAsynchronuously="false",
        canBeInstantiatedOnlyOncePerProcess="false",
        canNotUseMemoryManagementFunctions="true",
        canGetAndSetFMUstate="true",
        canSerializeFMUstate="true",
        providesDirectionalDerivative="false",
    )
    sources = ET.SubElement(slave, "SourceFiles")
    for place in unit.source_files:
        ET.SubElement(sources, "File", name=place)


def _units(root: ET.Element, unit: Unit) -> None:
    used = {variable.unit for variable in unit.variables if variable.unit}
    definitions = ET.SubElement(root, "UnitDefinitions")
    for name, base in UNITS.items():
        if name in used:
            definition = ET.SubElement(definitions, "Unit", name=name)
            ET.SubElement(definition, "BaseUnit", {key: str(power) for key, power in base.items()})


def _variable(unit: Unit, variable: Variable) -> ET.Element:
    parameter = variable.access in ("tunable", "fixed")
    moves = variable.kind == "Real" and not variable.steady
    variability = "continuous" if moves else "discrete"
    element = ET.Element(
        "ScalarVariable",
        name=variable.name,
        valueReference=str(reference(unit.variables, variable.name)),
        description=variable.about,
        causality="parameter" if parameter else variable.access,
        variability=variable.access if parameter else variability,
    )
    if variable.access == "output":
        element.set("initial", "calculated")
    elif parameter:
        element.set("initial", "exact")
    kind = ET.SubElement(element, variable.kind)
    if variable.unit:
        kind.set("unit", variable.unit)
    for name, bound in (("min", variable.low), ("max", variable.high)):
        if bound is not None:
            kind.set(name, _number(variable, bound))
    if variable.access != "output":
        kind.set("start", _number(variable, variable.start))
    return element


def _number(variable: Variable, value: float | int | bool) -> str:
    if variable.kind == "Boolean":
        return "true" if value else "false"
    return str(int(value)) if variable.kind == "Integer" else repr(float(value))


def _structure(root: ET.Element, unit: Unit) -> None:
    index = {variable.name: place for place, variable in enumerate(unit.variables, 1)}
    outputs = [variable for variable in unit.variables if variable.access == "output"]
    structure = ET.SubElement(root, "ModelStructure")
    later = ET.SubElement(structure, "Outputs")
    for variable in outputs:  # Of no input at the same instant: no direct feedthrough.
        ET.SubElement(later, "Unknown", index=str(index[variable.name]), dependencies="")
    first = ET.SubElement(structure, "InitialUnknowns")
    for variable in outputs:
        known = " ".join(str(place) for place in sorted(index[n] for n in variable.starts_from))
        ET.SubElement(first, "Unknown", index=str(index[variable.name]), dependencies=known)
