"""The examples' C is what is committed, byte for byte, and hides nothing of the machine."""

from __future__ import annotations

import difflib
import re
from pathlib import Path

import pytest

from halfcycle.generate.emit import is_edited, sign
from support import goldens


@pytest.mark.parametrize(
    "spec", (*goldens.specs(), *goldens.scenarios()), ids=lambda path: path.stem
)
def test_golden_c_is_current(spec: Path) -> None:
    compare(goldens.fresh(spec), spec.with_suffix(""))


@pytest.mark.parametrize("case", goldens.PLANS)
def test_golden_c_of_blocks_is_current(case: str) -> None:
    compare(goldens.fresh_plan(case), goldens.plan_folder(case))


def compare(fresh: dict[Path, str], folder: Path) -> None:
    """Every file as it is committed, and no other."""
    committed = {path: path.read_text() for path in folder.iterdir()}
    assert sorted(committed) == sorted(fresh), f"accept with: {goldens.ACCEPT}"
    for path, text in fresh.items():
        difference = "".join(
            difflib.unified_diff(
                committed[path].splitlines(True),
                text.splitlines(True),
                f"{path.name} (committed)",
                f"{path.name} (now)",
                n=1,
            )
        )
        assert not difference, f"{difference}\naccept with: {goldens.ACCEPT}"


@pytest.mark.parametrize("spec", goldens.specs(), ids=lambda path: path.stem)
def test_golden_c_names_no_clock_and_no_path(spec: Path) -> None:
    for text in goldens.fresh(spec).values():
        assert not re.search(r"\b20\d\d-\d\d", text)
        assert not re.search(r"(^|[\s\"'])(/|[A-Z]:\\)\w", text, re.MULTILINE)


def test_the_examples_cover_what_users_bring() -> None:
    """50, 60, 16 2/3 and 400 Hz; both measures; both word sizes; a sum beyond 32 bits."""
    texts = {spec.stem: spec.read_text() for spec in goldens.specs()}
    for wanted in ("frequency_hz = 50\n", "frequency_hz = 60\n", '"50/3"', "frequency_hz = 400\n"):
        assert any(wanted in text for text in texts.values()), wanted
    assert any('measure = "rms"' in text for text in texts.values())
    assert any("word_bits = 16" in text for text in texts.values())
    headers = [path.read_text() for path in goldens.EXAMPLES.glob("*/*.h")]
    assert any("above_high" in text for text in headers)
    assert any(" ramp;" in text for text in headers)


def test_an_edited_file_is_known_by_its_own_digest() -> None:
    text = goldens.fresh(goldens.specs()[0]).popitem()[1]
    assert not is_edited(text)
    assert is_edited(text.replace("0u", "1u", 1))
    assert is_edited(text.replace("file ", "file 0", 1))
    assert not is_edited(sign(text.replace("0u", "1u", 1)))


@pytest.mark.parametrize("spec", goldens.specs(), ids=lambda spec: spec.stem)
def test_each_file_says_that_it_may_be_shipped_without_a_notice(spec: Path) -> None:
    """The SPDX licence list's identifier (https://spdx.org/licenses/MIT-0.html), in the form of the
    SPDX specification's annex on short identifiers in source files, within the first lines."""
    texts = [path.read_text() for path in spec.with_suffix("").iterdir()]
    assert len(texts) == 4
    for text in texts:
        assert " * SPDX-License-Identifier: MIT-0\n" in "".join(text.splitlines(keepends=True)[:4])
