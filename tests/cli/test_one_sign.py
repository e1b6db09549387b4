"""One sign for "plus or minus" in all that is printed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from halfcycle.base.state import State
from halfcycle.check import batch
from halfcycle.check.checks import Check
from support.command import CommandLine
from support.paths import example


def test_check_printed_plus_and_minus_where_other_commands_have_one_sign(
    command_line: CommandLine, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def refused(jobs: Sequence[batch.Job], **_: Any) -> list[batch.Result]:
        told = Check("design", State.FAILED, "error: a bus held to +-1 % (80 ms)")
        return [batch.Result(job, (told,)) for job in jobs]

    monkeypatch.setattr(batch, "check_all", refused)
    spec, other = example("peat_cabin"), example("quay_kiosk")
    for words in ((spec,), (spec, other)):
        ran = command_line("check", *words, tmp_path)
        assert ran.code == 1 and "+-" not in ran.out
        assert ran.out.count("a bus held to ±1 % (80 ms)") == len(words)
