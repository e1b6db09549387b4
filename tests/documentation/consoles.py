"""What of the documentation programs write: consoles, tables and the reference.

``python tests/accept.py docs [PAGE...]`` writes it anew; name pages to write only those."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from documentation import generated, sessions
from documentation.pages import made_parts, pages, replace_made

ACCEPT = "python tests/accept.py docs"


def fresh_parts(text: str) -> str:
    """The page with its made parts as they are now."""
    return replace_made(text, {name: generated.PARTS[name]() for name, _ in made_parts(text)})


def fresh_consoles(text: str, *, full: bool) -> str:
    """The page with its consoles as they are now. Raises RuntimeError where a command fails."""
    lines = text.splitlines()
    with tempfile.TemporaryDirectory() as scratch:
        ran = sessions.run_page(text, Path(scratch), full=full)
    for one in reversed(ran):
        if one.problem:
            raise RuntimeError(one.problem)
        if sessions.difference(one.shown, one.now, loose=one.loose):
            lines[one.block.first : one.block.last] = one.now.splitlines()
    return "\n".join(lines) + "\n"


def accept(wanted: list[str]) -> None:
    """Write every page that is made, or those whose path ends as one of ``wanted``."""

    def chosen(path: Path) -> bool:
        return not wanted or any(str(path).endswith(end) for end in wanted)

    for path, make in generated.FILES.items():
        if chosen(path):
            _write(path, make())
    for path in pages():
        if chosen(path):
            full = os.environ.get("HALFCYCLE_FULL") == "1"
            _write(path, fresh_consoles(fresh_parts(path.read_text()), full=full))


def _write(path: Path, text: str) -> None:
    if not path.exists() or path.read_text() != text:
        path.write_text(text)
        print(f"accepted {path.name}")
