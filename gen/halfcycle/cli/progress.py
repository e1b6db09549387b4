"""A progress bar on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(label: str, wanted: bool = True) -> Iterator[Callable[[int, int], None] | None]:
    """A function that is told (done, in all) and draws on stderr; None if that is not a terminal.

    ``wanted`` False (as with --json) draws nothing either.
    """
    if not wanted or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, whole: bar.update(task, completed=done, total=whole)
