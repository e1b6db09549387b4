"""A co-simulation unit as values: from its parts to the files that it is made of.

No clock and no path enter, so the same spec gives the same files on every machine. The GUID is a
digest of all of them.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import halfcycle
from halfcycle.base import resources
from halfcycle.base.errors import Fault, InputError
from halfcycle.cosimulate import description
from halfcycle.cosimulate.variables import KINDS, Variable, of_kind
from halfcycle.spec.models import Spec
from halfcycle.verify import c_interface

SOURCES = "sources/"
DESCRIPTION = "modelDescription.xml"
SHARED = ("unit.h", "unit.c", "unit_fmi2.h")
"""Files of ``c_harness`` that every unit has."""
CONFIG = f"{c_interface.FOLDER}/unit_config.h"
BLANK_GUID = "{00000000-0000-0000-0000-000000000000}"
GUID = re.compile(r"\{[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\}")


@dataclass(frozen=True, slots=True)
class Unit:
    """What one unit is made of.

    ``identifier``: its name in C, and that of its library. ``step_s``: the one length of its steps.
    ``model``: name of the files of ``c_harness`` with its model. ``texts``: its further C by its
    place below the sources; ``compiled``: which of them are, beside the unit's own. ``constants``:
    name (without HC_) and C text of what the model takes from the spec. ``fields``: place and C
    type of the model's whole numbers, if the model does not list them itself. ``order``: what a
    step does, in this order. ``generated``: which files below the sources are made from the spec.
    """

    identifier: str
    title: str
    spec_digest: str
    step_s: Fraction
    model: str
    variables: tuple[Variable, ...]
    texts: Mapping[str, str]
    compiled: tuple[str, ...]
    constants: tuple[tuple[str, str], ...]
    order: tuple[str, ...]
    generated: tuple[str, ...]
    fields: tuple[tuple[str, str], ...] = ()

    @property
    def source_files(self) -> tuple[str, ...]:
        """The C files to compile, below the sources."""
        own = (f"{c_interface.FOLDER}/unit.c", f"{c_interface.FOLDER}/{self.model}.c")
        return (*own, *self.compiled)

    @property
    def step_text(self) -> str:
        """A step in seconds, as C and XML write the double next to it."""
        return repr(float(self.step_s))

    def c_texts(self, guid: str = BLANK_GUID) -> dict[str, str]:
        """Every C file and header by its place below the sources."""
        own = c_interface.harness_files(*SHARED, f"{self.model}.h", f"{self.model}.c")
        return {CONFIG: self._config(guid), **own, **self.texts}

    def _config(self, guid: str) -> str:
        return (
            resources.templates()
            .get_template("unit_config.h.j2")
            .render(
                unit=self,
                guid=guid,
                version=halfcycle.__version__,
                step=self.step_text,
                tables=[(kind.upper(), of_kind(self.variables, kind)) for kind in KINDS],
            )
        )


def files_of(unit: Unit) -> dict[str, str]:
    """The unit's files by their place in it, its description first."""
    blank = _files(unit, BLANK_GUID)
    return _files(unit, guid_of(blank))


def _files(unit: Unit, guid: str) -> dict[str, str]:
    pages = resources.templates(html=True)
    return {
        DESCRIPTION: description.xml(unit, guid),
        **{SOURCES + place: text for place, text in unit.c_texts(guid).items()},
        "documentation/index.html": pages.get_template("unit_index.html.j2").render(
            unit=unit, version=halfcycle.__version__
        ),
        "documentation/licenses/license.txt": resources.templates()
        .get_template("unit_license.txt.j2")
        .render(unit=unit),
    }


def guid_of(contents: Mapping[str, str]) -> str:
    """The GUID that files have: of all of them, whatever GUID stands in them."""
    digest = hashlib.sha256()
    for place, text in sorted(contents.items()):
        for part in (place, GUID.sub(BLANK_GUID, text)):
            data = part.encode()
            digest.update(len(data).to_bytes(8, "little") + data)
    h = digest.hexdigest()
    return f"{{{h[:8]}-{h[8:12]}-{h[12:16]}-{h[16:20]}-{h[20:32]}}}"


def base_step_s(spec: Spec, file: str) -> tuple[Fraction, int]:
    """Length of a unit's step, seconds, and how many of them a loop period has.

    A step is the PWM period if the spec has one, else the loop period. Raises InputError, naming
    ``file``, if the one does not divide the other.
    """
    loop, pwm = spec.loop.period_us, spec.bridge.pwm_period_us
    step = loop if pwm is None else pwm
    count = loop / step
    if count.denominator != 1:
        problem = (
            f"the loop period is {float(count):.6g} PWM periods: a co-simulation unit has steps of "
            "one length, and makes a sample in a whole number of them"
        )
        remedy = "choose a PWM period that divides loop.period_us, or leave it out for the unit"
        raise InputError([Fault(file, "bridge.pwm_period_us", problem, remedy)])
    return step / 1_000_000, int(count)
