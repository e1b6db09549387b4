"""The naming policy, against the compiler's own idea of an identifier where there is one."""

from __future__ import annotations

import keyword
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfcycle.generate import emit
from halfcycle.spec import c_names
from support import plan_cases
from support.paths import ROOT

HARNESS = ROOT / "c_harness"


@pytest.mark.parametrize(
    "name", ["gauge_hut", "x", "A1", "tower", "HUT_2", "regulator", "hcf", "a" * c_names.MAX_LENGTH]
)
def test_good(name: str) -> None:
    assert c_names.check_name(name) == name


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("", "empty"),
        ("volatile", "keyword"),
        ("Volatile", "keyword"),  # VOLATILE.h beside volatile.h differ in case only
        ("class", "keyword"),
        ("co_await", "keyword"),
        ("a*/", "identifier"),
        ("../up", "identifier"),
        ("a/b", "identifier"),
        ("1a", "identifier"),
        ("a b", "identifier"),
        ("a\nb", "identifier"),
        ("a\n", "identifier"),
        ("hütte", "identifier"),
        ("ｈｕｔ", "identifier"),
        ("a\x00", "identifier"),
        ('a"', "identifier"),
        ("_a", "identifier"),
        ("a__b", "double underscore"),
        ("a_", "double underscore"),
        ("a" * (c_names.MAX_LENGTH + 1), "characters"),
        ("a" * 5000, "characters"),
        ("main", "meaning"),
        ("INT32_MAX", "meaning"),
        ("uint16_t", "meaning"),
        ("INT32_C", "meaning"),
        ("SIZE_MAX", "meaning"),
        ("CHAR_BIT", "meaning"),
        ("NULL", "meaning"),
        ("stdint", "header"),
        ("String", "header"),
        ("features", "header"),
        ("con", "device"),
        ("NUL", "device"),
        ("lpt1", "device"),
        ("hc", "harness"),
        ("hc_state", "harness"),
        ("HC_HEADER", "harness"),
        ("gauge_turn", "oscillator"),
        ("gauge_selftest", "generated file"),
        ("gauge_Vectors", "generated file"),
    ],
)
def test_refused(name: str, reason: str) -> None:
    with pytest.raises(c_names.BadNameError) as caught:
        c_names.check_name(name)
    assert reason in caught.value.problem
    assert caught.value.remedy
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 250


def test_words_that_python_shares_with_c_are_refused() -> None:
    """Source: Python's keyword list, and C's statements of the same spelling (from memory)."""
    shared = {"break", "continue", "else", "for", "if", "return", "while"}
    assert shared <= set(keyword.kwlist)
    for word in shared:
        with pytest.raises(c_names.BadNameError):
            c_names.check_name(word)


def test_no_two_specs_of_one_folder_share_a_file() -> None:
    """gauge_selftest beside gauge overwrote its gauge_selftest.c."""
    endings = [name.removeprefix("x") for name in emit.file_names("x")]
    stems = [Path(ending).stem for ending in endings if Path(ending).stem.startswith("_")]
    assert set(stems) == set(c_names.FILE_ENDINGS)
    for stem in stems:
        with pytest.raises(c_names.BadNameError):
            c_names.check_name(f"gauge{stem}")


def test_no_identifier_of_the_harness_can_be_a_generated_one() -> None:
    """A regulator called take or record did not compile: simulate.c had functions of their names.

    Struct tags, members and locals cannot clash; functions and macros can. Generated endings are
    read from the C itself.
    """
    plan = plan_cases.CASES["rms wide high ramped"]
    files = "".join(plan_cases.render(plan).values())
    generated = set(re.findall(rf"\b(?:{plan.name}|{plan.name.upper()})(_\w+)", files))
    assert {"_reset", "_scale_by", "_root", "_window", "_FLAG_OVER", "_H"} <= generated
    harness = {path for path in HARNESS.iterdir() if path.suffix in (".c", ".h")}
    assert len(harness) > 8
    for path in harness - {HARNESS / "float_peer.c"}:  # which no regulator is linked with
        text = path.read_text(encoding="utf-8")
        words = re.findall(r"^[a-z][\w *]*?\b(\w+)\(", text, re.MULTILINE)
        words += re.findall(r"^ *#define (\w+)", text, re.MULTILINE)
        for word in words:
            for ending in filter(word.endswith, generated):
                with pytest.raises(c_names.BadNameError):
                    c_names.check_name(word.removesuffix(ending))


def test_longest_generated_name_fits() -> None:
    """C99 5.2.4.1: 31 significant initial characters in an external identifier (from memory)."""
    assert c_names.MAX_LENGTH + max(map(len, c_names.EXTERNAL_SUFFIXES)) == 31


@given(st.text(max_size=40))
def test_what_passes_is_plain(name: str) -> None:
    try:
        c_names.check_name(name)
    except c_names.BadNameError:
        return
    assert re.fullmatch(r"[A-Za-z](_?[A-Za-z0-9])*", name)
    assert len(name) <= c_names.MAX_LENGTH
