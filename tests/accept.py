"""Write anew what the repository keeps of its own results: ``python tests/accept.py [WHAT]``.

WHAT is one of the names below, with pages after ``docs``; nothing means all but ``cost``, which
needs every cross-compiler and emulator.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

from documentation import consoles, cost_table, pictures
from support import goldens
from support.schemas import accept_schemas

WHAT: dict[str, Callable[[list[str]], None]] = {
    "goldens": lambda _: goldens.accept(),
    "schemas": lambda _: accept_schemas(),
    "docs": consoles.accept,
    "pictures": lambda _: pictures.accept(),
    "cost": lambda parts: cost_table.accept_hand() if parts == ["hand"] else cost_table.accept(),
}


def main(arguments: list[str]) -> None:
    """Accept what is named, or all that needs no foreign tools."""
    if arguments and arguments[0] not in WHAT:
        sys.exit(f"usage: python tests/accept.py [{' | '.join(WHAT)}] [PAGE ...]")
    for name in arguments[:1] or [name for name in WHAT if name != "cost"]:
        WHAT[name](arguments[1:])


if __name__ == "__main__":
    main(sys.argv[1:])
