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
REGULATOR, BOARD = "unit_regulator", "unit_board"
"""What a unit may be of: ``Unit.model``."""


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

    def c_texts(self) -> dict[str, str]:
        """Every C file and header by its place below the sources, with a blank GUID."""
        own = c_interface.harness_files(*SHARED, f"{self.model}.h", f"{self.model}.c")
        return {CONFIG: self._config(), **own, **self.texts}

    def _config(self) -> str:
        return (
            resources.templates()
            .get_template("unit_config.h.j2")
            .render(
                unit=self,
                guid=BLANK_GUID,
                version=halfcycle.__version__,
                step=self.step_text,
                tables=[(kind.upper(), of_kind(self.variables, kind)) for kind in KINDS],
            )
        )


def files_of(unit: Unit) -> dict[str, str]:
    """The unit's files by their place in it, its description first."""
    blank = _files(unit)
    guid = guid_of(blank)
    return {place: text.replace(BLANK_GUID, guid) for place, text in blank.items()}


def _files(unit: Unit) -> dict[str, str]:
    """The files with a blank GUID."""
    pages = resources.templates(html=True)
    return {
        DESCRIPTION: description.xml(unit, BLANK_GUID),
        **{SOURCES + place: text for place, text in unit.c_texts().items()},
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


def base_step_s(spec: Spec, file: str = "spec") -> tuple[Fraction, int]:
    """Length of a unit's step, seconds, and how many of them a loop period has.

    A step is the PWM period if the spec has one. Without, no step may be as long as the loop
    period, over which a held duty would be another loop: it is as short as the virtual boards of
    ``simulate`` need it, and a finite decimal if the loop period is one. Raises InputError, naming
    ``file``, if the PWM period does not divide the loop period, or no step is short enough.
    """
    loop, pwm = spec.loop.period_us, spec.bridge.pwm_period_us
    if pwm is None:
        return _own_step_s(spec, file)
    count = loop / pwm
    if count.denominator != 1:
        problem = (
            f"the loop period is {float(count):.6g} PWM periods: a co-simulation unit has steps of "
            "one length, and makes a sample in a whole number of them"
        )
        remedy = "choose a PWM period that divides loop.period_us, or leave it out for the unit"
        raise InputError([Fault(file, "bridge.pwm_period_us", problem, remedy)])
    return pwm / 1_000_000, int(count)


def _own_step_s(spec: Spec, file: str) -> tuple[Fraction, int]:
    """As ``base_step_s``, for a spec without a PWM period."""
    from halfcycle.simulate.setup import steps_per_sample  # noqa: PLC0415 (scipy: not for --help)

    loop_s = spec.loop.period_us / 1_000_000
    fewest = steps_per_sample(spec, file)
    # A power of two lies between, so a decimal loop period has a decimal step.
    counts = (n for n in range(fewest, 2 * fewest) if _is_decimal(loop_s / n))
    count = next(counts, fewest)
    return loop_s / count, count


def _is_decimal(value: Fraction) -> bool:
    """Whether some decimal is exactly this value."""
    ten: int = 10 ** value.denominator.bit_length()
    return ten % value.denominator == 0
