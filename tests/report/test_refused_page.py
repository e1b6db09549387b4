"""The page of a spec that cannot be met."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.base.errors import RefusedError
from halfcycle.cli.refused_design import which_windows
from halfcycle.design import refusal
from halfcycle.design.refusal import UnmetError, best_of_all, unfollowed_ms, unmet
from halfcycle.generate.pipeline import design_integers
from halfcycle.loop.moving import MovingRefusal
from halfcycle.output.report import Report
from halfcycle.report.parts import DASH, decimal, letters, typeset
from halfcycle.report.refused_page import Refused, render
from halfcycle.report.weighed_windows import (
    NOTHING,
    best_ms,
    by_time,
    full_name,
    limiting,
    name_of,
    settling_figure,
    windows_table,
)
from halfcycle.spec.load import load_spec
from support.command import run_halfcycle
from support.paths import EXAMPLES


def words(page: str) -> str:
    body = page[page.index("<body") :]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


@pytest.fixture(autouse=True, scope="module")
def no_remedies(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What would help besides takes half a minute for each of these specs, and is not looked at:
    ``tests/design/test_designer.py`` does. Refusals without it are kept apart from others."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("kept")))
        patch.setattr(refusal, "_help", lambda *_, **__: "")
        yield


@pytest.fixture(scope="module")
def too_fast(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A spec that asks for more than any plain window gives."""
    text = (EXAMPLES / "peat_cabin.toml").read_text(encoding="utf-8")
    text = text.replace("[loop]\n", '[loop]\nweighting = "flat"\nupdates_per_window = 1\n')
    changed = re.sub(r"(?m)^settling_ms = .*$", "settling_ms = 25", text)
    assert changed != text
    file = tmp_path_factory.mktemp("refused") / "fast.toml"
    file.write_text(changed, encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def refused(too_fast: Path) -> Refused:
    spec = load_spec(too_fast)
    with pytest.raises(UnmetError) as caught:
        design_integers(spec, str(too_fast))
    return Refused(spec, caught.value.findings, caught.value.trials, "text", "command")


@pytest.mark.usefixtures("refused")
def test_a_spec_that_cannot_be_met_had_no_page(too_fast: Path, tmp_path: Path) -> None:
    """Bug: the command's help promised one, and a file was not even begun."""
    page = tmp_path / "fast.html"
    done = run_halfcycle("report", str(too_fast), "--out", str(page))
    assert done.code == 1 and "targets-unmet" in done.err
    text = words(page.read_text(encoding="utf-8"))
    assert text.count("The targets cannot be met") == 1 and "settling_ms = 25" in text
    again = tmp_path / "again.html"
    run_halfcycle("report", str(too_fast), "--out", str(again))
    assert again.read_bytes() == page.read_bytes().replace(b"fast.html", b"again.html")


def test_every_window_is_weighed_and_the_best_is_the_one_that_is_told(refused: Refused) -> None:
    text = words(render(refused))
    best = min(time for trial in refused.trials if (time := best_ms(trial)) is not None)
    (told,) = (finding.text for finding in refused.findings if finding.code == "targets-unmet")
    assert f"settling {best:g} ms" in told
    assert "the best, with" in told and f"settling to 2 % ≤ 25 ms {decimal(best)} ms" in text
    for trial in refused.trials:
        assert f"{trial.window.duration_ms:g}" in text
        if trial.refusal is not None:
            assert trial.refusal.corner[:8] in text


@pytest.fixture(scope="module")
def blocks(tmp_path_factory: pytest.TempPathFactory) -> Refused:
    """A refusal with windows that were followed, and others that a first look ruled out."""
    text = (EXAMPLES / "loom_bench.toml").read_text(encoding="utf-8")
    file = tmp_path_factory.mktemp("blocks") / "fast.toml"
    file.write_text(re.sub(r"(?m)^settling_ms = .*$", "settling_ms = 30", text), encoding="utf-8")
    spec = load_spec(file)
    with pytest.raises(UnmetError) as caught:
        design_integers(spec, str(file))
    return Refused(spec, caught.value.findings, caught.value.trials, "text", "command")


def test_the_best_is_told_with_its_gains_margins_and_corners(blocks: Refused) -> None:
    """Bug: of the best that can be had a reader had the settling time alone."""
    best = min(
        (trial for trial in blocks.trials if best_ms(trial) is not None),
        key=lambda trial: best_ms(trial) or 0.0,
    )
    loop = best.complete(margins=True).loop
    text = words(render(blocks))
    assert "The best that can be had: moving flat, 20 ms a window" in text
    for told in (
        f"settling to 2 % ≤ 30 ms {decimal(best_ms(best))} ms A ✗ no",
        f"overshoot ≤ 5 % {decimal(loop.overshoot_percent)} %",
        f"gain margin ≥ 6.02 dB {decimal(loop.gain_margin_db)} dB",
        f"phase margin {decimal(loop.phase_margin_deg)}°",
        "peak sensitivity Ms of the loop averaged over the sine's phases ≤ 2 "
        f"{decimal(loop.peak_sensitivity)}",
        f"per update {float(best.kp):g}",
        f"per update {float(best.ki):g}",
        f"A {typeset(loop.worst['settling_ms'])}",
    ):
        assert " ".join(told.split()) in text, told


def test_the_best_is_said_over_the_windows_that_were_followed(blocks: Refused) -> None:
    """Bug: it was "the best" while the table held windows whose settling was not known."""
    (told,) = (entry.text for entry in blocks.findings if entry.code == "targets-unmet")
    least = min(unfollowed_ms(blocks.trials))
    assert best_of_all(blocks.trials)
    assert "the best, with" in told and f"it is no less than {least:.3g} ms" in told
    assert "rules out the other 2 for 30 ms" in told
    page = words(render(blocks))
    assert f"the other 2 need {decimal(least)} ms or more, and a shorter search ruled" in page
    # One of them may yet be better.
    trials = tuple(
        replace(trial, refusal=replace(trial.refusal, at_least_ms=33.0))
        if isinstance(trial.refusal, MovingRefusal) and trial.refusal.settling_ms is None
        else trial
        for trial in blocks.trials
    )
    (told,) = (
        entry.text for entry in unmet(blocks.spec, trials, "r") if entry.code == "targets-unmet"
    )
    assert "the best of the 4 that were followed to their best, with" in told
    assert "it is no less than 33 ms" in told
    text = words(render(replace(blocks, trials=trials)))
    assert "The best of the 4 windows that were searched fully (6 were tried): moving flat" in text
    assert "The best that can be had" not in text


def test_windows_stand_in_order_and_no_cell_is_without_its_reason(blocks: Refused) -> None:
    """Bug: the order was none, and dashes had no reason."""
    trials = by_time(blocks.trials)
    table = windows_table(blocks.spec, trials, letters(["x"]))
    # Those that were followed, then the others, each by its time.
    times = [(str(row[2])[0] == ">", float(str(row[2]).removeprefix("> "))) for row in table.rows]
    assert times == sorted(times) and len(times) == len(blocks.trials) > 4
    ruled_out = [row for row in table.rows if str(row[2]).startswith("> ")]
    assert ruled_out and all(row[3:8] == (DASH,) * 5 for row in ruled_out)
    # The slowest board has no letter here.
    rest = [row for row in table.rows if row not in ruled_out]
    assert not any(cell in {"", DASH} for row in rest for cell in row[:7] + row[8:])
    assert not any(cell in {"", DASH} for row in ruled_out for cell in row[:3] + row[8:])
    notes = " ".join(table.notes)
    assert "“>”: a shorter search" in notes and "Settles: " in notes and "Steady error: " in notes


def test_a_window_in_which_nothing_settles_says_so(blocks: Refused) -> None:
    trial = next(trial for trial in blocks.trials if best_ms(trial) is None)
    assert isinstance(trial.refusal, MovingRefusal)
    lost = replace(trial, refusal=replace(trial.refusal, at_least_ms=None))
    row = windows_table(blocks.spec, (lost,), letters([])).rows[0]
    assert row[2:8] == (NOTHING, *(DASH,) * 5)
    figure = settling_figure(blocks.spec, (blocks.trials[0], lost))
    length = f"{lost.window.duration_ms:g}\N{NO-BREAK SPACE}ms"
    assert f"{full_name(lost.window)}, {length}: {NOTHING}" in figure.svg
    assert "Without a bar" in figure.caption


def test_windows_of_one_name_and_length_are_told_apart(blocks: Refused) -> None:
    table = windows_table(blocks.spec, by_time(blocks.trials), letters(["x"]))
    names = [row[:2] for row in table.rows]
    assert len(set(names)) == len(names)
    assert any(", 20 updates" in str(name) for name, _ in names)


def test_letters_of_the_page_are_those_of_the_terminal(refused: Refused, too_fast: Path) -> None:
    """Bug: B was one corner in the terminal and another one on the page."""
    told = run_halfcycle("design", too_fast, COLUMNS="200").out
    page = words(render(refused))
    for label in filter(None, limiting(by_time(refused.trials)[0])):
        letter = letters(list(filter(None, limiting(by_time(refused.trials)[0])))).letter(label)
        assert re.search(rf"(?m)^ ?{letter} ", told[told.index("Corners") :])
        assert f" {letter} {' '.join(typeset(label).split())}" in page


def test_the_drawing_shows_every_window(blocks: Refused) -> None:
    """Bug: it had dots of those windows alone that were followed to the end."""
    figure = settling_figure(blocks.spec, by_time(blocks.trials))
    bars = re.findall(r'<rect class="(solid|hatch)"', figure.svg)
    assert len(bars) == len(blocks.trials) and "hatch" in bars
    for trial in blocks.trials:
        assert (
            f">{full_name(trial.window)}, {trial.window.duration_ms:g} ms: "
            in figure.svg.replace("\N{NO-BREAK SPACE}", " ")
        )
    assert "more than" in figure.alt and "asked for: 30" in figure.alt


def test_what_else_stands_against_a_window_is_said(refused: Refused) -> None:
    trial = refused.trials[0]
    others = (
        replace(trial, drive_limit=0.1),
        replace(trial, refusal=None, dc_limit_percent=-1.0),
        replace(trial, refusal=None, tolerance_v=0.01),
    )
    text = words(render(replace(refused, trials=others)))
    assert "rated voltage is out of reach" in text
    assert "more DC than" in text and "a steady error beyond" in text


def test_a_spec_without_any_window_has_a_page_too() -> None:
    spec = load_spec(EXAMPLES / "peat_cabin.toml")
    error = RefusedError(())
    page = words(render(Refused(spec, error.findings, (), "", "")))
    assert "no window that the spec allows measures the output" in page
    assert "Windows tried" not in page


def test_the_json_of_a_page_that_was_refused_lacked_the_keys_of_a_good_one(
    too_fast: Path, tmp_path: Path
) -> None:
    page = tmp_path / "fast.html"
    done = run_halfcycle("report", too_fast, "--out", page, "--json")
    answer = json.loads(done.out)
    assert done.code == 1 and answer["file"] == str(page) and answer["good"] is False
    assert set(answer) == set(Report.model_fields) and answer["boards"] == 0
    assert [entry["code"] for entry in answer["findings"]] == ["targets-unmet"]
    assert page.is_file()


def test_design_showed_no_window_and_no_gains_of_a_refused_spec(
    too_fast: Path, refused: Refused
) -> None:
    done = run_halfcycle("design", too_fast)
    assert done.code == 1 and "targets-unmet" in done.err
    first = by_time(refused.trials)[0]
    assert "the one window that was tried; none meets the targets" in done.out
    row = next(line for line in done.out.splitlines() if name_of(first.window) in line)
    assert f"{best_ms(first):.4g} " in row and f"{float(first.ki):.6g}" in row
    assert re.search(r" A +B *$", row) and "\n A " in done.out
    assert f"halfcycle report {too_fast} --out FILE.html" in done.out
    as_json = run_halfcycle("design", too_fast, "--json")
    assert set(json.loads(as_json.out)) == {"findings"}


@pytest.mark.parametrize(
    ("shown", "tried", "words"),
    [
        (1, 1, "the one window that was tried"),
        (2, 2, "the 2 windows that were tried"),
        (3, 9, "the best 3 of 9 windows that were tried"),
        (1, 4, "the best of 4 windows that were tried"),
    ],
)
def test_a_table_of_three_was_called_the_best_of_nine(shown: int, tried: int, words: str) -> None:
    assert which_windows(shown, tried) == words
