"""Faults of the command line read as all other faults do: one line each, all of them, exit code 2.

click's own style stood beside ours: a usage, a hint and "Error: -1 is not in the range 0<=x<=9."
"""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from halfcycle.cli import COMMANDS, cli
from support.command import CommandLine
from support.paths import example

SPEC = example("peat_cabin")


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def faults(run: CommandLine, *words: object) -> list[str]:
    """What is said of the command line, without what all lines begin with."""
    done = run(*words)
    assert (done.code, done.out) == (2, "")
    start = "error: (command line): "
    lines = done.err.splitlines()
    assert lines and all(re.match(re.escape(start) + r"\S.*: .+; .+", line) for line in lines)
    return [line.removeprefix(start) for line in lines]


def options() -> list[tuple[str, click.Option]]:
    """Every option of every command, but --help."""
    context = click.Context(cli)
    return [
        (name, parameter)
        for name in COMMANDS
        for parameter in cli.get_command(context, name).params  # type: ignore[union-attr]
        if isinstance(parameter, click.Option)
    ]


def test_every_option_says_its_faults_in_one_line(run: CommandLine) -> None:
    for command, option in options():
        (name, *_), kind = option.opts, option.type
        if option.is_flag:
            assert faults(run, command, f"{name}=1") == [
                f"{name}: takes no value; give the option without a value"
            ]
            continue
        (missing,) = faults(run, command, name)
        assert missing.startswith(f"{name}: its value is missing; ")
        if isinstance(kind, click.IntRange):
            below = kind.min - 1  # type: ignore[operator]
            bounds = f"from {kind.min} to {kind.max}" if kind.max else f"of {kind.min} or more"
            must = f"{name} must be a whole number {bounds}"
            assert f"{name}: {below} is too small; {must}" in faults(run, command, name, below)
            assert f"{name}: '1.5' is not a whole number; {must}" in faults(
                run, command, name, "1.5"
            )
            if kind.max:
                above = f"{name}: {kind.max + 1} is too large; {must}"
                assert above in faults(run, command, name, kind.max + 1)
        elif isinstance(kind, click.Choice):
            wrong = kind.choices[-1] + "x"
            said = (
                f"{name}: there is no {wrong!r}; the nearest is {kind.choices[-1]}; choose one of"
            )
            assert any(line.startswith(said) for line in faults(run, command, name, wrong))
        elif isinstance(kind, click.types.FloatParamType):
            assert f"{name}: 'x' is not a number; give a number" in faults(run, command, name, "x")


def test_all_faults_of_a_command_line_are_said_at_once(run: CommandLine) -> None:
    assert faults(run, "simulate", "--boards", "-1", "--seed", "x", "--jobs", "0") == [
        "SPEC: is missing; the usage is halfcycle simulate [OPTIONS] SPEC",
        "--boards: -1 is too small; --boards must be a whole number from 1 to 1000000000",
        "--seed: 'x' is not a whole number; --seed must be a whole number from 0 to 2147483647",
        "--jobs: 0 is too small; --jobs must be a whole number of 1 or more",
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("desing",), "desing: there is no such command; the nearest is design; choose one of"),
        (("nothing",), "nothing: there is no such command; choose one of start, windows, design"),
        (("--verson",), "--verson: there is no such option; the nearest is --version"),
        (("design", "--jsn", SPEC), "--jsn: there is no such option; the nearest is --json"),
        (("design", "-json", SPEC), "-json: there is no such option; the nearest is --json"),
        (("design", "-x"), "-x: there is no such option; halfcycle design --help lists them"),
        (("design", ""), "SPEC: is empty; give SPEC"),
        (("design", SPEC, "b"), "b: is one argument too many; the usage is halfcycle design"),
        (("design", SPEC, "b", "c"), "b: this and what follows are 2 arguments too many; the"),
        (("generate", SPEC), "--out: is missing; give --out DIR"),
        (("generate", SPEC, "--out", ""), "--out: is empty; give --out DIR"),
        (("check", SPEC), "DIR: is missing; name the folder last, or give --dir-of"),
        (("design", SPEC, "\x1b[2J"), "\\x1b[2J: is one argument too many; the usage is"),
    ],
)
def test_what_is_missing_unknown_or_too_much(
    run: CommandLine, words: tuple[object, ...], said: str
) -> None:
    (line,) = faults(run, *words)
    assert line.startswith(said)


@pytest.mark.parametrize(
    "words",
    [
        ("design", "none.toml"),
        ("report", "none.toml", "--out", "x.html"),
        ("report", SPEC, "--log", "none.csv", "--out", "x.html"),
        ("replay", SPEC, "none.csv"),
        ("calibrate", SPEC, "none.csv"),
        ("identify", SPEC, "none.csv"),
        ("identify", SPEC, "--ringing", "none.csv"),
    ],
)
def test_a_file_that_there_is_not_is_one_line(run: CommandLine, words: tuple[object, ...]) -> None:
    done = run(*words)
    assert done.code == 2 and done.err.count("\n") == 1
    assert re.match(r"error: none\.(toml|csv): file: there is no such file; check ", done.err)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("simulate", SPEC, "--boards", "0", "--case", "foo", "--parallel", "thread"),
            [
                "(command line): --case: there is no 'foo'; choose one of start, ",
                "(command line): --boards: 0 is too small; ",
                "(command line): --parallel: there is no 'thread'; the nearest is threading; ",
            ],
        ),
        (
            ("simulate", "none.toml", "--boards", "0", "--jsn", "--sed", "1"),
            [
                "(command line): --jsn: there is no such option; the nearest is --json",
                "(command line): --sed: there is no such option; the nearest is --seed",
                "(command line): --boards: 0 is too small; ",
            ],
        ),
        (
            ("report", "none.toml", "--out", "x.html", "--boards", "-1"),
            ["(command line): --boards: -1 is too small; ", "none.toml: file: there is no such"],
        ),
        (
            ("replay", "none.toml", "none.csv", "--multiply", "0", "--plot", "a.zip"),
            [
                "(command line): --multiply: is 0; give the ratio",
                "a.zip: --plot: not a picture's suffix; ",
                "none.toml: file: there is no such file; ",
                "none.csv: file: there is no such file; ",
            ],
        ),
        (
            ("retune", SPEC, "--period-us", "0", "--frequency-hz", "-3", "--plot", "a.zip"),
            [
                "a.zip: --plot: not a picture's suffix; ",
                "(command line): --frequency-hz: -3 is too low; allowed: 1 to 2000 Hz",
                "(command line): --period-us: 0 is too low; allowed: 1 to 10000 us",
            ],
        ),
        (
            ("calibrate", "none.toml", "none.csv", "--plot", "a.zip"),
            ["a.zip: --plot: ", "none.toml: file: ", "none.csv: file: "],
        ),
        (
            ("identify", "none.toml", "--plot", "a.zip"),
            ["(command line): LOG: is missing", "a.zip: --plot: ", "none.toml: file: "],
        ),
    ],
)
def test_the_second_fault_of_a_command_line_is_told_too(
    run: CommandLine, words: tuple[object, ...], said: list[str]
) -> None:
    """It was told once the first one was mended, or the file was blamed for an option's value."""
    done = run(*words)
    assert (done.code, done.out) == (2, "")
    lines = done.err.splitlines()
    assert len(lines) == len(said), done.err
    for line, start in zip(lines, said, strict=True):
        assert line.startswith(f"error: {start}"), done.err


def test_a_page_was_written_into_a_file_of_another_kind(run: CommandLine, tmp_path: Path) -> None:
    done = run("report", SPEC, "--out", tmp_path / "page.pdf")
    assert done.code == 2 and "--out: is not the name of a page; end it in .html" in done.err
    assert not (tmp_path / "page.pdf").exists()


def test_options_of_windows_tell_their_ranges(run: CommandLine) -> None:
    text = " ".join(run("windows", "--help").out.split())
    for told in ("frequency, above 0", "less than a half cycle", "0 or more and less than F"):
        assert told in text


def test_no_words_show_the_help(run: CommandLine) -> None:
    done = run()
    assert (done.code, done.out) == (2, "") and "Commands:\n  start " in done.err


def test_help_says_ranges_in_words(run: CommandLine) -> None:
    for command in COMMANDS:
        text = run(command, "--help").out
        assert "<=" not in text and ">=" not in text and "INTEGER" not in text
    assert "1 to 1000000000]" in " ".join(run("simulate", "--help").out.split())
