"""Which tests run: those marked ``full`` need system tools or a minute, and those marked ``long``
take long or are much like one in CI. Both ask to be asked for."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from support.command import CommandLine

# Each test has one processor: threads of BLAS would wait for each other, and for xdist's workers.
# Read when numpy is first imported, here and in what the tests start.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# How long an example takes says nothing on a loaded machine; hangs are caught by time limits.
settings.register_profile("halfcycle", deadline=None)
settings.load_profile("halfcycle")


@pytest.fixture
def command_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> CommandLine:
    """halfcycle, run in the test's own process."""
    from support.command import CommandLine  # noqa: PLC0415 (numpy: after the threads are set)

    return CommandLine(monkeypatch, capsys)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    asked = os.environ.get("HALFCYCLE_FULL")
    if asked != "long":
        skip = pytest.mark.skip(reason="takes long; set HALFCYCLE_FULL=long")
        for item in items:
            if item.get_closest_marker("long"):
                item.add_marker(skip)
    if asked not in {"1", "long"}:
        skip = pytest.mark.skip(reason="needs system tools or minutes; set HALFCYCLE_FULL=1")
        for item in items:
            if item.get_closest_marker("full"):
                item.add_marker(skip)
