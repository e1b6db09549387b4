"""The page of a spec that cannot be met."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path

import pytest

from halfcycle.base.errors import RefusedError
from halfcycle.design.refusal import UnmetError
from halfcycle.generate.pipeline import design_integers
from halfcycle.report.refused_page import Refused, best_ms, render
from halfcycle.spec.load import load_spec
from support.command import run_halfcycle
from support.paths import EXAMPLES


def words(page: str) -> str:
    body = page[page.index("<body") :]
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", body)).split())


@pytest.fixture(scope="module")
def too_fast(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A spec that asks for more than any window gives."""
    text = (EXAMPLES / "peat_cabin.toml").read_text(encoding="utf-8")
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


def test_a_spec_that_cannot_be_met_had_no_page(too_fast: Path, tmp_path: Path) -> None:
    """Bug: the command's help promised one, and a file was not even begun."""
    page = tmp_path / "fast.html"
    done = run_halfcycle("report", str(too_fast), "--out", str(page))
    assert done.code == 1 and "targets-unmet" in done.err
    text = words(page.read_text(encoding="utf-8"))
    assert text.count("Cannot be met") == 1 and "settling_ms = 25" in text
    again = tmp_path / "again.html"
    run_halfcycle("report", str(too_fast), "--out", str(again))
    assert again.read_bytes() == page.read_bytes().replace(b"fast.html", b"again.html")


def test_every_window_is_weighed_and_the_best_is_the_one_that_is_told(refused: Refused) -> None:
    text = words(render(refused))
    best = min(time for trial in refused.trials if (time := best_ms(trial)) is not None)
    (told,) = (finding.text for finding in refused.findings if finding.code == "targets-unmet")
    assert f"settling {best:g} ms" in told
    assert "the best, with" in told and f"{best:g}" in text
    for trial in refused.trials:
        assert f"{trial.window.duration_ms:g}" in text
        if trial.refusal is not None:
            assert trial.refusal.corner[:8] in text


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
    assert "Windows weighed" not in page
