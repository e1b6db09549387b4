"""Tools from the system's package manager: tests that need one skip without it, with the reason.

In the full run (HALFCYCLE_FULL=1) a missing tool fails instead, so that nothing is left out there.
"""

from __future__ import annotations

import os
import shutil

import pytest

PACKAGES = {"frama-c": "frama-c-base", "arm-none-eabi-gcc": "gcc-arm-none-eabi"}
"""Debian package of a tool, where it is not the tool's own name."""


def need_tool(name: str) -> str:
    """The full path of the program ``name``."""
    path = shutil.which(name)
    if path is not None:
        return path
    message = f"{name} is missing; install it: apt install {PACKAGES.get(name, name)}"
    if os.environ.get("HALFCYCLE_FULL") == "1":
        pytest.fail(message)
    pytest.skip(message)
