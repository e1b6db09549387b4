"""The parts and pages of the documentation that programs write, by name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import docs_checks
import docs_findings
import docs_reference
import docs_tables
from docs_markdown import DOCS

FILES: dict[Path, Callable[[], str]] = {
    DOCS / "reference" / "commands.md": docs_reference.commands_page,
    DOCS / "reference" / "spec.md": docs_reference.spec_page,
    DOCS / "reference" / "json.md": docs_reference.json_page,
    DOCS / "reference" / "findings.md": docs_findings.page,
}
"""Whole pages."""

PARTS: dict[str, Callable[[], str]] = {
    "targets": docs_tables.targets,
    "clipping": docs_tables.clipping,
    "cases": docs_tables.cases,
    "checks": docs_checks.checks,
    "offset": docs_tables.offset,
}
"""Parts of pages: ``<!-- made: NAME -->`` to ``<!-- end -->``."""
