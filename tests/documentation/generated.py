"""The parts and pages of the documentation that programs write, by name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from documentation import c_interface_page, checks_table, findings_page, reference, tables
from documentation.pages import DOCS

FILES: dict[Path, Callable[[], str]] = {
    DOCS / "reference" / "c-interface.md": c_interface_page.page,
    DOCS / "reference" / "commands.md": reference.commands_page,
    DOCS / "reference" / "spec.md": reference.spec_page,
    DOCS / "reference" / "envelopes.md": reference.envelopes_page,
    DOCS / "reference" / "json.md": reference.json_page,
    DOCS / "reference" / "findings.md": findings_page.page,
}
"""Whole pages."""

PARTS: dict[str, Callable[[], str]] = {
    "targets": tables.targets,
    "slowed-by": tables.slowed_by,
    "clipping": tables.clipping,
    "cases": tables.cases,
    "checks": checks_table.checks,
    "offset": tables.offset,
}
"""Parts of pages: ``<!-- made: NAME -->`` to ``<!-- end -->``."""
