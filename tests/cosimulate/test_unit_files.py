"""The units' files as the commands write them: what they replace, and what they refuse."""

from __future__ import annotations

import json
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from halfcycle.base.errors import InputError
from halfcycle.cosimulate import archive
from halfcycle.simulate import simulate as virtual
from support.command import CommandLine, Outcome
from support.spec_text import changed_file

SPEC = "quay_kiosk.toml"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    changed_file(tmp_path, "quay_kiosk")
    return tmp_path


@pytest.fixture
def generate(command_line: CommandLine, folder: Path) -> Callable[..., Outcome]:
    """``halfcycle generate`` of the spec into ``c``, with further words."""

    def run(*words: object) -> Outcome:
        spec, out = folder / SPEC, folder / "c"
        return command_line("generate", spec, "--out", out, "--no-verify", *words)

    return run


def place_text(file: Path, place: str) -> str:
    with zipfile.ZipFile(file) as unit:
        return unit.read(place).decode()


def rewritten(file: Path, place: str, text: str) -> None:
    """Another program opens the unit, changes a file of it and packs it again."""
    with zipfile.ZipFile(file) as unit:
        contents = {name: unit.read(name) for name in unit.namelist()}
    contents[place] = text.encode()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as unit:
        for name, data in contents.items():
            unit.writestr(name, data)


def test_generate_writes_the_unit_beside_the_c(
    generate: Callable[..., Outcome], folder: Path
) -> None:
    file = folder / "kiosk.fmu"
    outcome = generate("--fmu", file, "--json")
    assert outcome.code == 0 and json.loads(outcome.out)["files"][-1] == str(file)
    with zipfile.ZipFile(file) as unit:
        assert unit.testzip() is None and unit.namelist()[0] == "modelDescription.xml"
        assert {entry.date_time for entry in unit.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    for name in ("quay_kiosk.c", "quay_kiosk.h"):
        assert place_text(file, f"sources/{name}") == (folder / "c" / name).read_text()
    before = file.stat().st_mtime_ns
    assert generate("--fmu", file).code == 0 and file.stat().st_mtime_ns == before


def test_a_unit_that_was_changed_is_kept(generate: Callable[..., Outcome], folder: Path) -> None:
    file = folder / "kiosk.fmu"
    assert generate("--fmu", file).code == 0
    first = file.read_bytes()
    # Packed again, with nothing changed: still a result of the tool, which may be replaced.
    place = "sources/quay_kiosk.c"
    rewritten(file, place, place_text(file, place))
    assert file.read_bytes() != first
    outcome = generate("--fmu", folder / "c" / "quay_kiosk.h")
    assert outcome.code == 2 and "this is a generated file" in outcome.err
    assert generate("--fmu", file).code == 0 and file.read_bytes() == first
    for changed in (place, "binaries/another/quay_kiosk.lib"):
        rewritten(file, changed, "mine")
        mine = file.read_bytes()
        outcome = generate("--fmu", file)
        assert outcome.code == 2 and "was changed since it was written" in outcome.err
        assert outcome.err.count("error:") == 1 and file.read_bytes() == mine
        assert generate("--fmu", file, "--force").code == 0 and file.read_bytes() == first


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("--fmu", "a_folder"), "this is a folder"),
        (("--fmu", "other.zip"), "not a unit of this tool"),
        (("--fmu", "c/quay_kiosk.c"), "ends in .fmu"),
        (("--fmu", "new.zip"), "ends in .fmu, or no simulator takes it; name new.fmu"),
        (("--fmu", SPEC), "the command reads this file"),
        (("--fmu", SPEC + "/x.fmu"), "is in the way of the folder"),
        (("--fmu-binary",), "--fmu-binary: given without --fmu"),
        (("--fmu", "new.fmu", "--fmu-binary"), "CC is set to '/no/such/compiler'"),
        (("--fmu", ""), "is empty"),
    ],
)
def test_a_bad_place_is_refused_with_one_message(
    generate: Callable[..., Outcome],
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    reason: str,
) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.setenv("CC", "/no/such/compiler")
    (folder / "a_folder").mkdir()
    with zipfile.ZipFile("other.zip", "w") as other:
        other.writestr("modelDescription.xml", "<fmiModelDescription/>")
    outcome = generate(*words)
    assert outcome.code == 2 and reason in outcome.err
    assert outcome.err.lower().count("error:") == 1 and "Traceback" not in outcome.err
    assert not (folder / "new.fmu").exists() and not (folder / "c").exists()


def test_unit_and_c_are_written_together_or_not_at_all(
    generate: Callable[..., Outcome], folder: Path
) -> None:
    """Whichever of them cannot be written, the other stays as it was."""
    unit, header = folder / "units" / "kiosk.fmu", folder / "c" / "quay_kiosk.h"
    assert generate("--fmu", unit).code == 0
    changed_file(folder, "quay_kiosk", sensor__delay_us=7)
    before = unit.read_bytes(), header.read_bytes()
    for file in (unit, header):
        file.chmod(0o444)
        outcome = generate("--fmu", unit)
        assert outcome.code == 2 and "the file is read-only" in outcome.err
        assert outcome.err.count("error:") == 1 and "Traceback" not in outcome.err
        assert (unit.read_bytes(), header.read_bytes()) == before
        file.chmod(0o644)
    assert generate("--fmu", unit).code == 0
    after = unit.read_bytes(), header.read_bytes()
    assert after[0] != before[0] and after[1] != before[1]
    assert generate("--fmu", folder / "c" / "beside.fmu").code == 0  # One folder, one lock.


LIAR = """#!{python}
import sys
if "-o" in sys.argv and {content!r}:
    open(sys.argv[sys.argv.index("-o") + 1], "w").write({content!r})
"""


@pytest.mark.parametrize("content", ["", "no library"])
def test_a_compiler_that_lies_gives_no_unit(
    generate: Callable[..., Outcome], folder: Path, monkeypatch: pytest.MonkeyPatch, content: str
) -> None:
    """It says that all is well, and leaves nothing, or what no machine can load."""
    liar = folder / "liar"
    liar.write_text(LIAR.format(python=sys.executable, content=content))
    liar.chmod(0o755)
    monkeypatch.setenv("CC", str(liar))
    outcome = generate("--fmu", folder / "kiosk.fmu", "--fmu-binary")
    assert outcome.code == 2 and "which is not a working compiler" in outcome.err
    assert outcome.err.lower().count("error:") == 1 and "Traceback" not in outcome.err
    assert not (folder / "kiosk.fmu").exists() and not (folder / "c").exists()


def test_picture_and_unit_of_one_name_are_refused(command_line: CommandLine, folder: Path) -> None:
    words = ("--plot", folder / "x.svg", "--fmu", folder / "x.svg", "--force")
    outcome = command_line("simulate", folder / SPEC, "--boards", "1", *words)
    assert outcome.code == 2 and "the picture of --plot goes there" in outcome.err
    assert not (folder / "x.svg").exists()


def test_a_step_that_fits_nothing_is_refused_before_the_work(
    command_line: CommandLine, tmp_path: Path
) -> None:
    spec = changed_file(tmp_path, "quay_kiosk", bridge__pwm_period_us=60)
    for words in (("generate", spec, "--out", tmp_path / "c"), ("simulate", spec)):
        outcome = command_line(*words, "--fmu", tmp_path / "x.fmu")
        assert outcome.code == 2 and "bridge.pwm_period_us" in outcome.err
    assert [path.name for path in tmp_path.iterdir()] == [spec.name]


def test_simulate_writes_the_board_that_it_names(command_line: CommandLine, folder: Path) -> None:
    """Board 1 is a corner: the least inductance of the tolerances, 25 % below nominal."""
    file = folder / "board.fmu"
    words = ("simulate", folder / SPEC, "--case", "start", "--fmu", file)
    assert command_line(*words, "--board", "1").code == 0
    text = place_text(file, "modelDescription.xml")
    assert 'modelIdentifier="quay_kiosk_board"' in text and 'start="0.001125"' in text
    # The nominal board's unit takes the place of it.
    assert command_line(*words, "--boards", "1").code == 0
    assert 'start="0.0015"' in place_text(file, "modelDescription.xml")


def test_a_board_does_not_take_the_place_of_a_regulator(
    generate: Callable[..., Outcome], command_line: CommandLine, folder: Path
) -> None:
    """Bug: both commands replaced the other's unit, and the regulator's was gone with exit 0."""
    file = folder / "kiosk.fmu"
    board = ("simulate", folder / SPEC, "--case", "start", "--boards", "1", "--fmu", file)
    assert generate("--fmu", file).code == 0
    first = file.read_bytes()
    refused = command_line(*board)
    assert refused.code == 2 and "is no board's" in refused.err and "--force" in refused.err
    assert file.read_bytes() == first
    assert command_line(*board, "--force").code == 0
    refused = generate("--fmu", file)
    assert refused.code == 2 and "is no regulator's" in refused.err
    assert file.read_bytes() != first and not (folder / "c" / "other").exists()
    assert generate("--fmu", file, "--force").code == 0 and file.read_bytes() == first


def test_what_is_no_unit_is_told_from_one(tmp_path: Path) -> None:
    """Pages of the tool, damaged zips, and zips that unpack to more than any unit."""
    page, bomb, cut = (tmp_path / name for name in ("page.fmu", "bomb.fmu", "cut.fmu"))
    page.write_text('<meta name="generator" content="halfcycle 0.1.0">')
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as zeros:
        zeros.writestr("modelDescription.xml", bytes(archive.MAX_BYTES + 1))
    cut.write_bytes(bomb.read_bytes()[:-30])
    for path in (page, bomb, cut):
        with pytest.raises(InputError, match="not a unit of this tool"):
            archive.unit_file(path, "--fmu", [], False)


def test_a_unit_that_is_refused_leaves_the_picture_unwritten(
    command_line: CommandLine, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bug: the two were written one after the other. Here another program puts a file of its own
    in the unit's place while the boards run."""
    picture, file = folder / "cases.svg", folder / "board.fmu"
    written = virtual.simulate

    def meanwhile(*words: Any, **named: Any) -> Any:
        file.write_text("of another program")
        return written(*words, **named)

    monkeypatch.setattr(virtual, "simulate", meanwhile)
    outcome = command_line(
        *("simulate", folder / SPEC, "--case", "start", "--boards", "1"),
        *("--plot", picture, "--fmu", file),
    )
    assert outcome.code == 2 and "the file exists already" in outcome.err
    assert not picture.exists() and file.read_text() == "of another program"
