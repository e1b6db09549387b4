"""Tools from the system's package manager: tests that need one skip without it, with the reason.

In the full run (HALFCYCLE_FULL=1) a missing tool fails instead, so that nothing is left out there.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
from typing import NoReturn

import pytest

PACKAGES = {"frama-c": "frama-c-base", "arm-none-eabi-gcc": "gcc-arm-none-eabi"}
"""Debian package of a tool, where it is not the tool's own name."""


def need_tool(name: str) -> str:
    """The full path of the program ``name``."""
    path = shutil.which(name)
    if path is None:
        leave_out(f"{name} is missing; install it: apt install {PACKAGES.get(name, name)}")
    return path


def need_module(name: str, extra: str) -> None:
    """The Python module ``name``, which the package's ``extra`` brings."""
    if importlib.util.find_spec(name) is None:
        leave_out(f"{name} is missing; install it: pip install '.[{extra}]'")


def leave_out(reason: str) -> NoReturn:
    """Skip the test, or fail it in the full run."""
    if os.environ.get("HALFCYCLE_FULL") == "1":
        pytest.fail(reason)
    pytest.skip(reason)
