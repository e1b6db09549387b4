"""The table of ``halfcycle targets`` on a terminal of 80 columns (the project's own agreement)."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from halfcycle.cli import cli
from halfcycle.targets import run as runner
from halfcycle.targets.cost import Cost, Costs
from halfcycle.targets.machines import MACHINES
from support.paths import example

SPEC = example("moor_signal")
KINDS = ("sample", "closing", "update", "set_target", "rms_mv", "drive", "duty")


def row(target: str, mismatch: str = "") -> runner.Row:
    return runner.Row(
        target=target,
        title="",
        compiler=f"{target}-gcc 12.2.1",
        emulators=("unicorn",),
        bit_exact=not mismatch,
        mismatch=mismatch,
        samples_compared=1,
        calls_compared=1,
        flash_bytes=12345,
        data_bytes=0,
        ram_bytes=44,
        costs=Costs({kind: Cost(123456, None, 128) for kind in KINDS}, 0),
    )


def show(monkeypatch: pytest.MonkeyPatch, *rows: runner.Row) -> tuple[int, list[str]]:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(runner, "run", lambda *_, **__: runner.Result(rows, ()))
    ran = CliRunner().invoke(cli, ["targets", str(SPEC)])
    return ran.exit_code, ran.stdout.splitlines()


def test_names_stay_whole_and_sizes_have_their_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bug: the longest names were broken over two lines."""
    code, lines = show(monkeypatch, *map(row, MACHINES))
    assert code == 0 and max(map(len, lines)) <= 80
    shown = [line.split() for line in lines]
    cells = ["gcc", "12.2.1", "12345", "44", "128", *["123456"] * 4]
    assert all([name, *cells] in shown for name in MACHINES)
    assert sum(line.count("bytes") for line in lines) == 3
    assert any("Bit for bit the model's" in line for line in lines)


def test_a_difference_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    code, lines = show(monkeypatch, row("avr"), row("cortex-m4", "tick 3, field sum"))
    assert code == 1
    assert any(line.startswith("DIFFERS from the model: cortex-m4 (") for line in lines)
    assert not any("Bit for bit" in line for line in lines)
