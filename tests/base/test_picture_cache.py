"""Where matplotlib keeps what it caches."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path


def test_a_picture_without_a_home_is_silent(tmp_path: Path) -> None:
    """Bug: a home that cannot be written brought matplotlib's "mkdir -p failed" with each picture,
    though the tool's cache has a folder of its own."""
    blocked = tmp_path / "home"
    blocked.write_text("")  # A file: nobody, not even root, makes a folder in it.
    code = (
        "from halfcycle.base.figure import draw\n"
        "assert draw(lambda figure: None, 'svg', inches=(1, 1), dpi=72, font_size=8)"
    )
    cache = tmp_path / "cache"
    environment = {
        **{name: value for name, value in os.environ.items() if name != "MPLCONFIGDIR"},
        "HOME": str(blocked),
        "XDG_CACHE_HOME": str(cache),
        "XDG_CONFIG_HOME": str(blocked / "config"),
    }
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=environment
    )
    assert ran.returncode == 0 and ran.stderr == ""
    if sys.platform == "linux":
        assert (cache / "halfcycle" / "matplotlib").is_dir()
