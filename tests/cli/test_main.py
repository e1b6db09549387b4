"""The outermost layer: what users see of faults, their own and ours."""

from __future__ import annotations

import sys

import click
import pytest

from halfcycle import cli


def run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    monkeypatch.setattr(sys, "argv", ["halfcycle", *arguments])
    try:
        cli.main()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 0
    return 0


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """A tool whose commands fail as no command should."""

    def fail(self: click.Group, ctx: click.Context, name: str) -> click.Command:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(cli.LazyGroup, "get_command", fail)
    monkeypatch.delenv("HALFCYCLE_TRACEBACK", raising=False)
    return monkeypatch


def test_a_fault_of_the_tool_is_one_line(
    broken: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(broken, "design", "x.toml") == 70
    said = capsys.readouterr().err
    assert said.startswith("error: a fault of halfcycle itself: ZeroDivisionError: planted;")
    assert said.count("\n") == 1


def test_its_place_is_shown_when_asked_for(broken: pytest.MonkeyPatch) -> None:
    broken.setenv("HALFCYCLE_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        run(broken, "design", "x.toml")


@pytest.mark.parametrize(
    ("arguments", "code"), [(["--help"], 0), (["--version"], 0), (["nothing"], 2), (["design"], 2)]
)
def test_exit_codes(monkeypatch: pytest.MonkeyPatch, arguments: list[str], code: int) -> None:
    assert run(monkeypatch, *arguments) == code
