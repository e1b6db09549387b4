"""Co-simulation units, built from their sources and run through fmpy (BSD-2-Clause), which knows
nothing of this project: a general reader of FMI 1 to 3."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from support.tools import need_module, need_tool


def unpack(data: bytes, folder: Path) -> Path:
    """The unit's file in ``folder``, and beside it its content; returns the content's folder."""
    folder.mkdir(parents=True)
    file = folder / "unit.fmu"
    file.write_bytes(data)
    with zipfile.ZipFile(file) as archive:
        archive.extractall(folder / "content")
    return folder / "content"


def build(content: Path) -> None:
    """Build the library of an unpacked unit as any importer would, from the files that its
    description lists. Raises subprocess.CalledProcessError if that fails."""
    from fmpy import build as fmpy_build  # noqa: PLC0415

    need_tool("make")
    need_tool("cc")
    # The build tool that fmpy brings stands beside the interpreter, which need not be on the path.
    before = os.environ["PATH"]
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{before}"
    quiet, fmpy_build.subprocess = fmpy_build.subprocess, _Quiet
    try:
        fmpy_build.build_platform_binary(content.absolute())
    finally:
        os.environ["PATH"] = before
        fmpy_build.subprocess = quiet


class _Quiet:
    """``subprocess`` for fmpy's builder: what the build tool prints is shown if it fails."""

    @staticmethod
    def check_call(command: list[str]) -> None:
        subprocess.run(command, check=True, capture_output=True, text=True)


def problems(content: Path) -> list[str]:
    """What fmpy's validator finds, the standard's schema included."""
    from fmpy.validation import validate_fmu  # noqa: PLC0415

    return list(validate_fmu(str(content)))


class RefusedCall(Exception):
    """The unit answered with an error; the text is what it told the logger."""


@dataclass
class Slave:
    """One instance, with variables by their names.

    ``content``: the folder of an unpacked, built unit. ``values``: set before the run.
    """

    content: Path
    values: dict[str, Any]
    name: str = "first"

    def __post_init__(self) -> None:
        need_module("fmpy", "test")
        from fmpy import fmi2, read_model_description  # noqa: PLC0415

        self.description = read_model_description(str(self.content), validate=False)
        self.known = {each.name: each for each in self.description.modelVariables}
        self.told: list[str] = []

        def log(_: object, __: bytes, ___: int, ____: bytes, text: bytes) -> None:
            self.told.append(text.decode())

        self._callbacks = fmi2.fmi2CallbackFunctions()
        self._callbacks.logger = fmi2.fmi2CallbackLoggerTYPE(log)
        self.fmu = fmi2.FMU2Slave(
            guid=self.description.guid,
            unzipDirectory=str(self.content),
            modelIdentifier=self.description.coSimulation.modelIdentifier,
            instanceName=self.name,
        )
        self.fmu.instantiate(callbacks=self._callbacks)
        self.fmu.setupExperiment(startTime=0.0)
        self.fmu.enterInitializationMode()
        self.set(**self.values)
        self.fmu.exitInitializationMode()
        self.tick = 0

    @cached_property
    def step_s(self) -> float:
        """The step that the description proposes."""
        return float(self.description.defaultExperiment.stepSize)

    def call(self, function: Any, *arguments: Any) -> Any:
        """Call fmpy, and raise RefusedCall with what the unit told if it answers with an error."""
        before = len(self.told)
        try:
            return function(*arguments)
        except Exception:
            raise RefusedCall(" ".join(self.told[before:])) from None

    def set(self, **values: Any) -> None:
        """Set variables."""
        for name, value in values.items():
            variable = self.known[name]
            setter = getattr(self.fmu, f"set{variable.type}")
            self.call(setter, [variable.valueReference], [value])

    def get(self, name: str) -> Any:
        """One variable."""
        variable = self.known[name]
        return getattr(self.fmu, f"get{variable.type}")([variable.valueReference])[0]

    def outputs(self) -> dict[str, Any]:
        """Every output."""
        return {n: self.get(n) for n, each in self.known.items() if each.causality == "output"}

    def step(self, step_s: float | None = None, time_s: float | None = None) -> None:
        """One step, by default the next one of the unit's own length."""
        time = self.tick * self.step_s if time_s is None else time_s
        self.call(self.fmu.doStep, time, self.step_s if step_s is None else step_s)
        self.tick += 1

    def state(self) -> bytes:
        """The whole state as bytes."""
        kept = self.fmu.getFMUstate()
        data: bytes = self.fmu.serializeFMUstate(kept)
        self.fmu.freeFMUstate(kept)
        return data

    def go_on_from(self, data: bytes, tick: int) -> None:
        """Take over a state from its bytes."""
        state = self.call(self.fmu.deSerializeFMUstate, data)
        self.fmu.setFMUstate(state)
        self.fmu.freeFMUstate(state)
        self.tick = tick


def instantiated(content: Path, guid: str) -> bool:
    """Whether a unit lets itself be instantiated with this GUID."""
    from fmpy import fmi2, read_model_description  # noqa: PLC0415

    description = read_model_description(str(content), validate=False)
    fmu = fmi2.FMU2Slave(
        guid=guid,
        unzipDirectory=str(content),
        modelIdentifier=description.coSimulation.modelIdentifier,
        instanceName="first",
    )
    try:
        fmu.instantiate()
    except Exception:
        return False
    fmu.freeInstance()
    return True
