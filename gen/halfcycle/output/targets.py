"""The JSON of ``halfcycle targets``."""

from __future__ import annotations

from halfcycle.output.base import Entry, each, means, sometimes
from halfcycle.targets.run import Result, Row

CALLS = ("sample", "closing", "update", "set_target", "rms_mv", "drive", "duty")
"""Calls whose cost is told, each by its instructions and, on some targets, its cycles."""
BUS = "bus"
"""The same of a regulator whose bus is measured."""


class Target(Entry):
    """One target with one compiler. Costs are of the worst call; null if none counts them."""

    target: str = means("name for the command")
    compiler: str = means("compiler and version")
    emulators: list[str] = means("emulators used")
    bit_exact: bool = means("whether every output and every state field equals the model's")
    mismatch: str | None = means("first difference")
    samples_compared: int = means("samples run, with every field and result compared after each")
    calls_compared: int = means("single calls compared")
    flash_bytes: int = means("code and constants, library functions that they need included, bytes")
    data_bytes: int = means("initialised data, bytes")
    ram_bytes: int = means("one state, and static data, bytes")
    stack_bytes: int | None = means("deepest use of the stack by a call, bytes")
    unreached_bytes: int | None = means("code that no call reached, bytes; null if it is not known")
    sample_instructions: int | None = means("instructions of a sample that completes no window")
    sample_cycles: int = sometimes("the same in cycles")
    closing_instructions: int | None = means("instructions of a sample that completes a window")
    closing_cycles: int = sometimes("the same in cycles")
    update_instructions: int | None = means("instructions of an update")
    update_cycles: int = sometimes("the same in cycles")
    set_target_instructions: int | None = means("instructions of a change of target")
    set_target_cycles: int = sometimes("the same in cycles")
    rms_mv_instructions: int | None = means("instructions of a report of the RMS")
    rms_mv_cycles: int = sometimes("the same in cycles")
    drive_instructions: int | None = means("instructions of a value of the drive")
    drive_cycles: int = sometimes("the same in cycles")
    duty_instructions: int | None = means("instructions of a value of the duty")
    duty_cycles: int = sometimes("the same in cycles")
    bus_instructions: int = sometimes("a reading of the bus, if it is measured")
    bus_cycles: int = sometimes("the same in cycles")

    @classmethod
    def of(cls, row: Row) -> Target:
        """What ran on one target with one compiler."""
        worst: dict[str, int | None] = {}
        measured = row.costs is not None and BUS in row.costs.kinds
        for call in (*CALLS, BUS) if measured else CALLS:
            cost = None if row.costs is None else row.costs.kinds[call]
            worst[f"{call}_instructions"] = None if cost is None else cost.instructions
            if cost is not None and cost.cycles is not None:
                worst[f"{call}_cycles"] = cost.cycles
        return cls(
            target=row.target,
            compiler=row.compiler,
            emulators=list(row.emulators),
            bit_exact=row.bit_exact,
            mismatch=row.mismatch or None,
            samples_compared=row.samples_compared,
            calls_compared=row.calls_compared,
            flash_bytes=row.flash_bytes,
            data_bytes=row.data_bytes,
            ram_bytes=row.ram_bytes,
            stack_bytes=None if row.costs is None else row.costs.stack_bytes,
            unreached_bytes=None if row.costs is None else row.costs.unreached,
            **worst,  # type: ignore[arg-type]  # The keys that end in cycles are never None.
        )


class Unavailable(Entry):
    """A target that lacks a tool on this machine."""

    target: str = means("name of the target")
    tool: str = means("tool that is missing")
    install: str = means("how to install it")


class Targets(Entry):
    """``halfcycle targets``"""

    targets: list[Target] = means("targets that ran")
    unavailable: list[Unavailable] = means("targets that could not run")

    @classmethod
    def of(cls, result: Result) -> Targets:
        """What ran, and what could not."""
        return cls(
            targets=[Target.of(row) for row in result.rows],
            unavailable=each(Unavailable, result.unavailable),
        )
