"""The co-simulation unit that ``generate`` and ``simulate`` write besides."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from halfcycle.base.errors import Fault, InputError
from halfcycle.base.text import printable
from halfcycle.cli.streams import say
from halfcycle.cli.usage import WHERE
from halfcycle.cosimulate import archive
from halfcycle.cosimulate.regulator_unit import regulator_unit
from halfcycle.cosimulate.unit import base_step_s
from halfcycle.verify import compiler

if TYPE_CHECKING:
    from halfcycle.cosimulate.unit import Unit
    from halfcycle.generate.pipeline import Generation, IntegerDesign
    from halfcycle.simulate.simulate import Prepared
    from halfcycle.spec.models import Spec

OPTION = "--fmu"
SUFFIX = ".fmu"


def unit_file(
    spec: Spec,
    spec_file: Path,
    path: Path | None,
    force: bool,
    *,
    model: str,
    binary: bool,
    picture: Path | None = None,
) -> archive.UnitFile | None:
    """The file of the unit, None if none is asked for. Raises, before any long work,
    InputError for a ``binary`` without a unit, or if nothing may be written there or no unit can be
    made, ToolMissingError if there is no compiler for the binary. ``picture``: another file that
    the command is to write. ``model``: what the unit is of, as ``Unit`` has it."""
    if path is None:
        if binary:
            remedy = "name the unit that the binary goes into: --fmu FILE"
            raise InputError([Fault(WHERE, "--fmu-binary", "given without --fmu", remedy)])
        return None
    step_s, count = base_step_s(spec, printable(str(spec_file)))
    if binary:
        compiler.find()
    if picture is not None:
        refuse_in_set(path, picture.parent, [picture.name], "the picture of --plot")
    file = archive.unit_file(path, OPTION, [spec_file], force, model)
    if path.suffix.lower() != SUFFIX:
        problem = f"the name of a unit ends in {SUFFIX}, or no simulator takes it"
        remedy = f"name {printable(path.stem)}{SUFFIX}"
        raise InputError([Fault(printable(str(path)), OPTION, problem, remedy)])
    if spec.bridge.pwm_period_us is None:
        say(
            f"note: bridge.pwm_period_us is not given: a step of the unit is "
            f"{float(step_s * 1_000_000):.6g} us, {count} in a loop period; state the key if your "
            "firmware's PWM is slower"
        )
    return file


def refuse_in_set(
    path: Path, folder: Path, names: Iterable[str], what: str = "one of the generated files"
) -> None:
    """Raise InputError if the unit would stand in the place of one of these files."""
    taken = {os.path.realpath(folder / name) for name in names}
    if os.path.realpath(path) in taken:
        problem = f"{what} goes there"
        raise InputError([Fault(printable(str(path)), OPTION, problem, "name another file")])


def regulator(spec: Spec, generation: Generation, spec_file: Path, *, binary: bool) -> bytes:
    """The unit of the generated C."""
    unit = regulator_unit(spec, generation.plan, generation.texts, printable(str(spec_file)))
    return _content(unit, binary)


def board(
    prepared: Prepared,
    design: IntegerDesign,
    spec_file: Path,
    number: int,
    seed: int,
    *,
    binary: bool,
) -> bytes:
    """The unit of one virtual board."""
    from halfcycle.cosimulate.board_unit import board_unit  # noqa: PLC0415 (scipy)
    from halfcycle.simulate.boards import draw  # noqa: PLC0415 (scipy)

    setting = prepared.setting
    drawn = draw(setting.spec, [number], seed, setting.inside)[0]
    unit = board_unit(setting.spec, design.quantised.plan, drawn, printable(str(spec_file)))
    return _content(unit, binary)


def _content(unit: Unit, binary: bool) -> bytes:
    """The unit's bytes; exits 1 if the compiler refuses its C."""
    try:
        return archive.content(unit, with_binary=binary)
    except compiler.CompileError as error:
        say(f"error: {error}\nnothing was written")
        sys.exit(1)
