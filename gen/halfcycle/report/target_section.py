"""What the C costs on real instruction sets, if that was asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from halfcycle.report.parts import DASH, Table

if TYPE_CHECKING:
    from halfcycle.targets.run import Result, Row

KINDS = (
    ("sample", "a sample"),
    ("closing", "the sample that ends a window"),
    ("update", "an update"),
)
"""Calls whose cost is shown, of those in ``halfcycle.targets.cost``."""


def cost_table(result: Result) -> Table:
    """One row for each target and compiler."""
    cycles = any(row.costs and row.costs.kinds["sample"].cycles is not None for row in result.rows)
    return Table(
        title="Cost",
        columns=(
            "target",
            "compiler",
            "bit for bit",
            "flash, bytes",
            "RAM, bytes",
            "stack, bytes",
            *(f"instructions, {words}" for _, words in KINDS),
            *(f"cycles, {words}" for _, words in KINDS if cycles),
        ),
        rows=tuple(_row(row, cycles) for row in result.rows),
        numeric=tuple(range(3, 9 + 3 * cycles)),
        notes=("Instructions and cycles are the greatest over inputs that take every path.",),
    )


def _row(row: Row, cycles: bool) -> tuple[str, ...]:
    kinds = [row.costs.kinds[kind] if row.costs else None for kind, _ in KINDS]
    return (
        row.title,
        row.compiler,
        "yes" if row.bit_exact else "NO",
        f"{row.flash_bytes}",
        f"{row.ram_bytes}",
        f"{row.costs.stack_bytes}" if row.costs else DASH,
        *(f"{cost.instructions}" if cost else DASH for cost in kinds),
        *(f"{cost.cycles}" if cost and cost.cycles else DASH for cost in kinds if cycles),
    )


def remarks(result: Result) -> tuple[str, ...]:
    """Differences from the model, and what could not be run here."""
    return (
        *(f"{row.title}, {row.compiler}: {row.mismatch}" for row in result.rows if row.mismatch),
        *(
            f"Not run: {missing.target}, which needs {missing.tool}."
            for missing in result.unavailable
        ),
    )
