"""Any bytes at every way in: a fault of the input with its line, never a traceback or a hang.

hypothesis and the kept seeds always; the coverage-guided fuzzer (``python tests/fuzz``)
in the full run, a few seconds a target. What it found is kept in ``tests/fuzz/seeds``.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz.entry_points import BASE, PLAIN_NAME, TARGETS
from halfcycle.base.errors import InputError, RefusedError
from halfcycle.generate.pipeline import generate
from halfcycle.spec.edit import edit_text
from halfcycle.spec.load import parse_spec
from support.tools import need_module

HERE = Path(__file__).parent
SEEDS = sorted((HERE / "seeds").glob("*/*"))
QUIET = settings(deadline=5000, max_examples=60, suppress_health_check=list(HealthCheck))


def test_every_target_has_seeds() -> None:
    assert {seed.parent.name for seed in SEEDS} == set(TARGETS)


@pytest.mark.parametrize("seed", SEEDS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_seeds(seed: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # A user would see it between the results.
        TARGETS[seed.parent.name](seed.read_bytes())


@pytest.mark.parametrize("target", TARGETS)
@QUIET
@given(data=st.data())
def test_bytes(target: str, data: st.DataObject) -> None:
    """Bytes of no kind, and kept seeds with a piece replaced."""
    seeds = [seed.read_bytes() for seed in SEEDS if seed.parent.name == target]
    start = data.draw(st.sampled_from([b"", *seeds]))
    at = data.draw(st.integers(0, len(start)))
    cut = data.draw(st.integers(0, 40))
    TARGETS[target](start[:at] + data.draw(st.binary(max_size=60)) + start[at + cut :])


NUMBERS = st.one_of(
    st.floats(allow_nan=True).map(str),
    st.integers(-(10**20), 10**20).map(str),
    st.from_regex(r"[0-9]{0,3}[.,]?[0-9]{0,3}([eE][+-]?[0-9]{1,3})?", fullmatch=True),
    st.sampled_from(["", "nan", "inf", "-", "OL", "1_0", "\u0661", "0x10", '"1,5"', "1e999"]),
)


@pytest.mark.parametrize("target", ["capture", "readings"])
@QUIET
@given(
    rows=st.lists(st.lists(NUMBERS, min_size=1, max_size=5), max_size=30),
    delimiter=st.sampled_from([",", ";", "\t", " ", ", "]),
    head=st.sampled_from(
        ["", "Time (s),U (V)\n", "t;u\n", "board,meter,reported,mean_code,rms_codes\n"]
    ),
)
def test_tables(target: str, rows: list[list[str]], delimiter: str, head: str) -> None:
    """Tables of cells that are numbers, or nearly."""
    TARGETS[target]((head + "\n".join(map(delimiter.join, rows))).encode())


HOSTILE = [
    "../up",
    "/etc/hut",
    "a/b",
    "a\\b",
    "C:hut",
    "a*/ int x; /*",
    'a"; system("x"); //',
    "a\n#include <x>",
    "a??/",
    "a\x00b",
    "{{ 7 * 7 }}",
    "%s%n",
    "h\u00fctte",
    "\u202ea",
    "volatile",
    "",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_reach_nothing(tmp_path: Path, name: str) -> None:
    """Exit 2, one line, and no file anywhere: neither in --out nor beside it."""
    spec = tmp_path / "in" / "s.toml"
    spec.parent.mkdir()
    text = BASE.replace('"peat_cabin"', json.dumps(name, ensure_ascii=True), 1)
    spec.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        parse_spec(text, "s.toml")
    assert [fault.key for fault in caught.value.faults] == ["name"]
    if name not in HOSTILE[:5]:
        return  # The rest is the same code; a process each would take long.
    command = [sys.executable, "-m", "halfcycle", "generate", str(spec), "--out"]
    ran = subprocess.run(
        [*command, str(tmp_path / "out")], capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stdout) == (2, "")
    assert ran.stderr.startswith("error: ") and ran.stderr.count("\n") == 1
    assert [path.name for path in tmp_path.rglob("*")] == ["in", "s.toml"]


SPELLINGS = {
    "frequency_hz = 50": ['frequency_hz = "100 / 2"', "frequency_hz = 5e1", "frequency_hz = 5_0"],
    "settling_ms = 250": ['settling_ms = "2_5_0"', "settling_ms = 25.0e1"],
    "zero_tolerance_codes = 6": ['zero_tolerance_codes = " 6.0 "'],
}


@settings(deadline=None, max_examples=6)
@given(data=st.data(), comment=st.text(st.characters(codec="utf-8"), max_size=20))
def test_no_text_of_the_spec_reaches_c(data: st.DataObject, comment: str) -> None:
    """The C holds the name, and numbers as the tool writes them; no spelling, no comment."""
    plain = edit_text(BASE, {"name": data.draw(st.sampled_from(["hut", "reed_9", "X"]))})
    odd = plain
    for usual, others in SPELLINGS.items():
        assert usual in odd
        odd = odd.replace(usual, data.draw(st.sampled_from([usual, *others])), 1)
    mark = "".join(c for c in comment if c.isprintable())
    odd = f"# */ #error {mark}\n{odd}"
    try:
        texts, same = (generate(parse_spec(text, "s.toml"), f"{mark}*/") for text in (odd, plain))
    except RefusedError:  # The design's business; these specs are good.
        pytest.fail("the spec must be one that generates")
    assert texts.texts == same.texts
    for name, text in texts.texts.items():
        assert PLAIN_NAME.fullmatch(name.partition(".")[0])
        assert text.isascii()
        assert all(c == "\n" or c.isprintable() for c in text)
        # Comments open and close in turn, so no text can have broken out of one.
        marks = re.findall(r"/\*|\*/", text)
        assert marks == ["/*", "*/"] * (len(marks) // 2)
        assert "??" not in text and "\\\n" not in text.replace(" \\\n", "")


@pytest.mark.full
@pytest.mark.parametrize("target", TARGETS)
def test_coverage_guided(target: str) -> None:
    """A bounded run from the kept seeds; HALFCYCLE_FUZZ_SECONDS makes it longer."""
    need_module("atheris", "fuzz")
    seconds = os.environ.get("HALFCYCLE_FUZZ_SECONDS", "3")
    ran = subprocess.run(
        [sys.executable, str(HERE), target, seconds],
        capture_output=True,
        text=True,
        check=False,
        timeout=int(seconds) + 300,
    )
    assert ran.returncode == 0, ran.stdout[-500:] + ran.stderr[-3000:]
    assert "Done" in ran.stderr
