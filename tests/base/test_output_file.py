"""What a command's output may replace: tried with the commands themselves.

Bug: output options overwrote anything with exit code 0, ``report SPEC --out SPEC`` the spec itself.
"""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from halfcycle.base import files
from halfcycle.base.errors import InputError
from halfcycle.base.figure import MARK as PICTURE
from halfcycle.base.output_file import OutputFile
from halfcycle.check.junit import MARK as JUNIT
from halfcycle.generate import emit
from support.command import COMMAND, CommandLine, Outcome, run_halfcycle
from support.paths import EXAMPLES, example

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links and devices of POSIX")

NAME = "peat_cabin"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A folder with a spec and the generated files of it, all to be lost."""
    (tmp_path / "s.toml").write_bytes(example(NAME).read_bytes())
    (tmp_path / "c").mkdir()
    for file in (EXAMPLES / NAME).iterdir():
        (tmp_path / "c" / file.name).write_bytes(file.read_bytes())
    return tmp_path


Command = Callable[[Path, Path], tuple[object, ...]]

COMMANDS: dict[str, Command] = {
    "report": lambda project, out: (
        *("report", project / "s.toml", "--boards", "0", "--out", out),
    ),
    "check": lambda project, out: (
        *("check", project / "s.toml", project / "c", "--no-run", "--junit", out),
    ),
    "start": lambda project, out: ("start", "hut", "--out", out),
}


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def refused(outcome: Outcome, *parts: str) -> None:
    assert outcome.code == 2 and not outcome.out, outcome
    (line,) = outcome.err.splitlines()
    assert line.startswith("error: ") and all(part in line for part in parts), line


@pytest.mark.parametrize("command", COMMANDS)
def test_no_output_replaces_a_generated_file(
    command_line: CommandLine, project: Path, command: str
) -> None:
    before = contents(project)
    for name in (f"{NAME}.c", f"{NAME}_vectors.h"):
        words = COMMANDS[command](project, project / "c" / name)
        refused(command_line(*words), name)
        if command != "start":
            refused(command_line(*words, "--force"), name)
    assert contents(project) == before


@pytest.mark.parametrize("command", ["report", "check"])
@pytest.mark.parametrize("link", ["", "symbolic", "hard"])
def test_no_output_replaces_what_the_command_reads(
    command_line: CommandLine, project: Path, command: str, link: str
) -> None:
    target = project / "s.toml"
    if link:
        target = project / "link"
        target.symlink_to("s.toml") if link == "symbolic" else os.link(project / "s.toml", target)
    before = contents(project)
    words = COMMANDS[command](project, target)
    refused(command_line(*words), "the command reads this file; name another file")
    refused(command_line(*words, "--force"), "the command reads this file")
    assert contents(project) == before


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("kind", ["fifo", "socket", "folder", "null", "full", "stdout", "stderr"])
def test_no_output_replaces_or_waits_for_what_is_no_file(
    command_line: CommandLine, project: Path, command: str, kind: str
) -> None:
    """Bug: as root, a device node was replaced by a file; a FIFO and /dev/full hung."""
    target = project / "special"
    if kind == "fifo":
        os.mkfifo(target)
    elif kind == "socket":
        server = socket.socket(socket.AF_UNIX)
        server.bind(str(target))
        server.close()
    elif kind == "folder":
        target.mkdir()
    else:
        target = Path("/dev") / kind
    mode = stat.S_IFMT(target.stat().st_mode)
    run = run_halfcycle if kind in ("stdout", "stderr") else command_line
    refused(run(*COMMANDS[command](project, target)), "this is a")
    assert stat.S_IFMT(target.stat().st_mode) == mode


def test_the_file_that_takes_the_results_is_not_replaced(
    command_line: CommandLine, project: Path
) -> None:
    """/dev/stdout is a regular file where the shell redirects it."""
    out = project / "log.txt"
    words = COMMANDS["report"](project, Path("/dev/stdout"))
    with out.open("w") as stream:
        ran = subprocess.run(
            [*COMMAND, *map(str, words)], stdout=stream, stderr=subprocess.PIPE, check=False
        )
    assert ran.returncode == 2 and b"what this command prints goes there" in ran.stderr
    assert out.read_bytes() == b""


def test_a_foreign_file_is_replaced_by_force_only(command_line: CommandLine, project: Path) -> None:
    page, results = project / "page.html", project / "check.xml"
    for path, command in ((page, "report"), (results, "check")):
        path.write_text("my notes\n")
        words = COMMANDS[command](project, path)
        refused(command_line(*words), "is not an earlier result of this kind", "--force")
        assert path.read_text() == "my notes\n"
        assert command_line(*words, "--force").code == 0
        written = path.read_bytes()
        assert written != b"my notes\n"
        assert command_line(*words).code == 0  # Its own file again.
        path.write_text("")  # As mktemp makes one.
        assert command_line(*words).code == 0
        assert path.read_bytes() == written
    refused(command_line(*COMMANDS["check"](project, page)), "not an earlier result of this kind")


@pytest.mark.parametrize("suffix", ["svg", "png", "pdf"])
def test_a_picture_is_known_as_one(command_line: CommandLine, project: Path, suffix: str) -> None:
    spec, plot = project / "s.toml", project / f"p.{suffix}"
    words = ("retune", spec, "--period-us", "500", "--plot", plot)
    plot.write_text("<svg>mine</svg>")
    refused(command_line(*words), "not an earlier result of this kind", "--force")
    plot.unlink()
    assert command_line(*words).code == 0
    assert PICTURE in plot.read_bytes()
    first = plot.read_bytes()
    assert command_line(*words).code == 0 and plot.read_bytes() == first


def test_a_plot_does_not_replace_the_spec(command_line: CommandLine, project: Path) -> None:
    spec = project / "s.svg"
    (project / "s.toml").rename(spec)
    before = contents(project)
    for command in ("retune", "simulate"):
        period = ("--period-us", "500") if command == "retune" else ("--boards", "1")
        refused(command_line(command, spec, *period, "--plot", spec), "the command reads")
    assert contents(project) == before


def test_what_changes_between_look_and_write_is_seen(tmp_path: Path) -> None:
    """The place is looked at again under the lock."""
    out = OutputFile(tmp_path / "check.xml", "--junit", JUNIT)
    out.path.write_text("a file that another program made meanwhile")
    with pytest.raises(InputError, match="not an earlier result of this kind"):
        out.write(JUNIT + b"x\n")
    assert out.path.read_text().startswith("a file that")
    with pytest.raises(ValueError, match="mark"):
        out.write(b"no mark, so that a later run would not know it again")


def test_generate_takes_no_empty_folder_name(command_line: CommandLine, project: Path) -> None:
    """Bug: ``--out ""``, as with a variable that is not set, wrote into the folder at hand."""
    before = contents(project)
    outcome = command_line("generate", project / "s.toml", "--out", "", "--no-verify")
    assert outcome.code == 2 and "--out: is empty" in outcome.err
    assert command_line("check", project / "s.toml", "").code == 2
    assert contents(project) == before


def test_generate_replaces_no_file_of_another_spec(
    command_line: CommandLine, project: Path
) -> None:
    """Bug: the regulator of a spec named x_selftest and the self-test of x are one file, and the
    later one replaced the other."""
    spec, out = project / "s.toml", project / "c"
    regulator = (out / f"{NAME}.c").read_text().replace(NAME, f"{NAME}_selftest")
    selftest = out / f"{NAME}_selftest.c"
    selftest.write_text(emit.sign(regulator))
    before = contents(out)
    words = ("generate", spec, "--out", out, "--no-verify")
    outcome = command_line(*words)
    assert outcome.code == 2
    (error,) = [line for line in outcome.err.splitlines() if line.startswith("error")]
    assert selftest.name in error and "generated for a spec of another name" in error
    assert contents(out) == before
    assert command_line(*words, "--force").code == 0


def test_generate_replaces_neither_spec_nor_fifo(command_line: CommandLine, project: Path) -> None:
    spec, out = project / "s.toml", project / "new"
    out.mkdir()
    os.link(spec, out / f"{NAME}.c")
    os.mkfifo(out / f"{NAME}.h")
    before = contents(project)
    outcome = command_line("generate", spec, "--out", out, "--no-verify", "--force")
    assert outcome.code == 2 and "this is the spec" in outcome.err
    (out / f"{NAME}.c").unlink()
    outcome = command_line("generate", spec, "--out", out, "--no-verify", "--force")
    assert outcome.code == 2 and "a FIFO is in the way of the file" in outcome.err
    assert list(out.iterdir()) == [out / f"{NAME}.h"]
    del before[str(out / f"{NAME}.c")]
    assert contents(project) == before


def test_two_names_of_one_file_are_refused(tmp_path: Path) -> None:
    (tmp_path / "a.c").write_text("old\n")
    (tmp_path / "b.c").symlink_to("a.c")
    with pytest.raises(InputError, match="links to this one"):
        files.write_all(tmp_path, {"a.c": "x\n", "b.c": "y\n"})
    assert (tmp_path / "a.c").read_text() == "old\n" and len(list(tmp_path.iterdir())) == 2
