"""What a report shows, for tests of the page."""

from __future__ import annotations

from pathlib import Path

from halfcycle.cli.simulate_tables import RunAgain
from halfcycle.generate.pipeline import design_integers
from halfcycle.report.parts import Contents
from halfcycle.spec.load import parse_spec

BOARDS = 6


def contents(text: str, **more: object) -> Contents:
    integer_design = design_integers(parse_spec(text, "spec"))
    fields: dict[str, object] = {"spec_name": "spec.toml", "command": "halfcycle report"}
    fields |= {"no_boards": "none was asked for.", "no_targets": "that was not asked for."}
    fields |= {"run_again": RunAgain(Path("spec.toml"), 1)} | more
    return Contents(integer_design=integer_design, spec_text=text, **fields)  # type: ignore[arg-type]
