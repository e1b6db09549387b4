"""Help and shell completion, as a user's shell asks for them."""

from __future__ import annotations

import shlex

import click
import pytest

from halfcycle.cli import COMMANDS, cli
from support.command import run_halfcycle


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_that_parses(command: str) -> None:
    done = run_halfcycle(command, "--help")
    assert (done.code, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80
    examples = [line.strip() for line in done.out.splitlines() if "  halfcycle " in line]
    assert examples and "Example" in done.out
    found = cli.get_command(click.Context(cli), command)
    assert found is not None
    for example in examples:
        words = shlex.split(example)
        assert words[:2] == ["halfcycle", command]
        found.make_context(command, words[2:])  # raises where the words do not fit the command


def test_the_group_names_every_command() -> None:
    done = run_halfcycle("--help")
    assert done.code == 0
    for command, about in COMMANDS.items():
        assert f"  {command} " in done.out
        assert about.split()[0] in done.out


def complete(line: str) -> list[str]:
    """What bash would offer at the end of ``line`` (click's protocol: type,value per line)."""
    words = line.split(" ")
    done = run_halfcycle(
        _HALFCYCLE_COMPLETE="bash_complete", COMP_WORDS=line, COMP_CWORD=str(len(words) - 1)
    )
    return [reply.partition(",")[2] for reply in done.out.splitlines()]


def test_completion_of_commands_options_and_choices() -> None:
    assert complete("halfcycle ge") == ["generate"]
    assert "--period-us" in complete("halfcycle windows --p")
    assert "load_steps" in complete("halfcycle check a.toml out --scenario lo")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_of_the_documentation(shell: str) -> None:
    """The variable and the words that the command reference gives."""
    done = run_halfcycle(_HALFCYCLE_COMPLETE=f"{shell}_source")
    assert done.code == 0, done.err
    assert "_HALFCYCLE_COMPLETE" in done.out and "halfcycle" in done.out
