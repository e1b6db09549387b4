"""Help and shell completion, as a user's shell asks for them."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys

import click
import pytest

from halfcycle.cli import COMMANDS, cli


def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "halfcycle", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "COLUMNS": "80", **environment},
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example_that_parses(command: str) -> None:
    done = run(command, "--help")
    assert (done.returncode, done.stderr) == (0, "")
    assert max(map(len, done.stdout.splitlines())) <= 80
    examples = [line.strip() for line in done.stdout.splitlines() if "  halfcycle " in line]
    assert examples and "Example" in done.stdout
    found = cli.get_command(click.Context(cli), command)
    assert found is not None
    for example in examples:
        words = shlex.split(example)
        assert words[:2] == ["halfcycle", command]
        found.make_context(command, words[2:])  # raises where the words do not fit the command


def test_the_group_names_every_command() -> None:
    done = run("--help")
    assert done.returncode == 0
    for command, about in COMMANDS.items():
        assert f"  {command} " in done.stdout
        assert about.split()[0] in done.stdout


def complete(line: str) -> list[str]:
    """What bash would offer at the end of ``line`` (click's protocol: type,value per line)."""
    words = line.split(" ")
    done = run(_HALFCYCLE_COMPLETE="bash_complete", COMP_WORDS=line, COMP_CWORD=str(len(words) - 1))
    return [reply.partition(",")[2] for reply in done.stdout.splitlines()]


def test_completion_of_commands_options_and_choices() -> None:
    assert complete("halfcycle ge") == ["generate"]
    assert "--period-us" in complete("halfcycle windows --p")
    assert "load_steps" in complete("halfcycle check a.toml out --scenario lo")


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_of_the_documentation(shell: str) -> None:
    """The variable and the words that the command reference gives."""
    done = run(_HALFCYCLE_COMPLETE=f"{shell}_source")
    assert done.returncode == 0, done.stderr
    assert "_HALFCYCLE_COMPLETE" in done.stdout and "halfcycle" in done.stdout
