"""What both of Frama-C's analysers are given: the C, and no annotation but the project's own."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest

from halfcycle.base.state import State
from halfcycle.prove import eva, frama_c, prove, wp
from halfcycle.regulator.plan import Plan
from halfcycle.verify import bounded
from halfcycle.verify.bounded import Limits
from support import plan_cases, planted
from support.tools import need_tool

ADMITTED = "/*@ admit code <= 4095; */ ;"
REFUSED = {
    "joined lines": "/\\\n*@ admit code <= 4095; */ ;",
    "joined lines, a blank between": "/* */ /\\ \n/@ admit code <= 4095;\n    ;",
    "lines that are joined once more": "// n \\\\\n\n    code = 0u;",
    "a zero in a joined line": "/\\\0\n*@ admit code <= 4095; */ ;",
    "a comment of one line": "//@ admit code <= 4095;\n    ;",
    "another file": '\n#include "/admitted.h"\n',
    "what the analyser defines": "\n#ifdef __FRAMAC__\n    code = 0u;\n#endif\n",
    "what volatile is": "\n#ifdef volatile\n    code = 0u;\n#endif\n",
}
"""C that an analyser, or a copy that was cleaned by halves, took for another program."""
DEFECT = next(d for d in planted.PLANTED if d.kind == "removed clamp of the ADC code")
HIDDEN_AT = "const uint16_t code = adc_code;"


def hiding(annotation: str) -> dict[str, str]:
    """The C with a planted defect, and an annotation that admits that there is none."""
    files = planted.plant(DEFECT)
    name = f"{planted.plan_of(DEFECT.case).name}.c"
    assert files[name].count(HIDDEN_AT) == 1
    return {**files, name: files[name].replace(HIDDEN_AT, f"{HIDDEN_AT}\n    {annotation}")}


ANALYSERS = pytest.mark.parametrize("analyse", [eva.analyse, wp.analyse], ids=["Eva", "WP"])
Analyse = Callable[[Plan, Mapping[str, str], int], tuple[object, str]]


@ANALYSERS
def test_an_annotation_in_the_c_admits_nothing(
    analyse: Analyse, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = planted.plan_of(DEFECT.case)
    given = []

    def printed(_words: Sequence[str], folder: str, _settings: object = None) -> str:
        given.append((Path(folder) / f"{plan.name}.c").read_text(encoding="utf-8"))
        return "Found prover Z3"

    monkeypatch.setattr(frama_c, "printed", printed)
    analyse(plan, hiding(ADMITTED), 16)
    assert "admit code <= 4095" in given[-1]
    assert "/*@ admit code" not in given[-1] and "//@ admit code" not in given[-1]


@ANALYSERS
@pytest.mark.parametrize("hidden", REFUSED.values(), ids=list(REFUSED))
def test_an_analyser_is_not_asked_of_c_that_is_another_program_to_it(
    analyse: Analyse, hidden: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eva and WP proved such C; only the solver's reader refused it."""
    plan = planted.plan_of(DEFECT.case)
    monkeypatch.setattr(frama_c, "printed", lambda *_: pytest.fail("an analyser was asked"))
    outcome, why = analyse(plan, hiding(hidden), 16)
    assert outcome in {False, State.FAILED}
    assert re.search(rf"the C is not understood: {plan.name}\.c:\d+: ", why)


@pytest.mark.full
@pytest.mark.parametrize("annotation", [ADMITTED, REFUSED["joined lines"]])
def test_eva_took_an_annotation_for_granted(annotation: str) -> None:
    """A defect was proven that the C itself admitted away; the solver saw it."""
    need_tool("frama-c")
    plan = planted.plan_of(DEFECT.case)
    proven, _ = eva.analyse(plan, hiding(annotation), 16)
    assert not proven


SCRIPTS = pytest.mark.skipif(sys.platform == "win32", reason="scripts of POSIX")
ANSWERS_NOT = {
    "hangs": ("#!/bin/sh\nexec sleep 600\n", "does not answer -version within 1 s"),
    "no interpreter": ("#!/no/such/shell\n", "does not start: No such file"),
    "fails": ("#!/bin/sh\nexit 3\n", "ends with status 3"),
}
ASKED = pytest.mark.parametrize("asked", [prove.analyse, prove.contracted], ids=["Eva", "WP"])


def commands(folder: Path, text: str, *names: str) -> str:
    """A PATH that begins with scripts of these names."""
    for name in names:
        (folder / name).write_bytes(text.encode("latin-1"))
        (folder / name).chmod(0o755)
    return os.pathsep.join([str(folder), os.environ["PATH"]])


@SCRIPTS
@ASKED
@pytest.mark.parametrize(("text", "why"), ANSWERS_NOT.values(), ids=list(ANSWERS_NOT))
def test_an_analyser_that_does_not_say_its_version_stopped_the_run(
    asked: Callable[..., list[prove.Proof]],
    text: str,
    why: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One that hangs was waited for without end, one that did not start was a fault of the tool's
    own: both are skipped with the reason."""
    monkeypatch.setenv("PATH", commands(tmp_path, text, "frama-c", "why3", "z3"))
    monkeypatch.setattr(bounded, "ANSWER_LIMITS", Limits(seconds=1))
    plan = plan_cases.CASES["mean"]
    (skipped,) = asked(plan, plan_cases.render(plan))
    assert skipped.state is State.SKIPPED
    assert skipped.detail.startswith("frama-c cannot be used here: it ") and why in skipped.detail
    assert frama_c.version() == ""


@SCRIPTS
def test_a_version_that_is_no_text_was_a_fault_of_the_tool(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", commands(tmp_path, "#!/bin/sh\necho 25\xff\n", "frama-c"))
    assert frama_c.version() == "25\N{REPLACEMENT CHARACTER}"


@SCRIPTS
def test_what_an_analyser_had_started_ran_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the program itself was ended after its time, and what it kept for a while stayed."""
    monkeypatch.setattr(frama_c, "LIMITS", Limits(seconds=1))
    started = tmp_path / "started"
    script = f'(sleep 3; touch \'{started}\') & : > "$TMPDIR/kept"; touch "$0.ran"; wait'
    with frama_c.folder_with({"run.sh": script}) as folder:
        with pytest.raises(frama_c.UndecidedError, match="not decided within"):
            frama_c.printed(["/bin/sh", "run.sh"], folder)
        assert {"kept", "run.sh.ran"} <= {entry.name for entry in Path(folder).iterdir()}
    time.sleep(2.5)
    assert not started.exists()
    assert not Path(folder).exists()


@pytest.mark.full
@pytest.mark.parametrize("place", ["a folder with blanks", "none/that/can be/written"])
def test_an_analyser_depended_on_the_folder_for_temporary_files(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a blank in its path WP was skipped, as if there was no z3; if nothing could be written
    there, Eva had no result."""
    need_tool("frama-c")
    blank = tmp_path / "a folder with blanks"
    blank.mkdir()
    monkeypatch.setenv("TMPDIR", str(tmp_path / place))
    monkeypatch.setattr("tempfile.tempdir", str(blank))
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    goals = ["round_shift"]
    assert wp.open_goals(printed := wp.report(plan, files, 32, goals)) == []
    assert "Proved goals" in printed
    with frama_c.folder_with({"t.c": "int f(int x) { return x / 2; }\n"}) as folder:
        words = ["frama-c", *frama_c.options(32), "-eva", "-main", "f", "t.c"]
        assert "0 alarms generated" in frama_c.printed(words, folder)


def test_the_projects_own_annotations_stay() -> None:
    plan = planted.plan_of("rms")
    files = frama_c.without_annotations(plan_cases.render(plan), plan.name)
    name = f"{plan.name}.c"
    assert files[name] == plan_cases.render(plan)[name]
    assert "/*@ split square" in eva._annotated(plan, files[name])
    assert "/*@ requires" in wp.annotated(plan, files[name])
