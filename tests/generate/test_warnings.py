"""No compiler used here has a word to say about the generated C, as C99, C11 and C++17.

The outside source is each compiler's own warnings (``compiler.STRICT``, as errors).
"""

from __future__ import annotations

import functools
import subprocess
import sys
from collections.abc import Collection, Mapping
from pathlib import Path

import pytest

from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import load_spec
from halfcycle.targets import toolchains
from halfcycle.targets.machines import MACHINES, Machine
from halfcycle.verify import compiler
from support import measured, plan_cases
from support.effort import examples
from support.tools import leave_out, need_tool

LANGUAGES = ("c99", "c11", "c++17")
CASES = plan_cases.CASES | {f"bus {name}": plan for name, plan in measured.COMPILED.items()}
IN_CI = ("mean integral only", "normalised wide ramped", "moving high tracked", "bus high")
"""What other compilers than the one at hand see in CI: zig is slow to start."""


ARITHMETIC = "-Warith-conversion"
"""gcc from 10 on: conversions that -Wconversion lets pass where the operands were promoted."""


@functools.cache
def more_warnings(command: tuple[str, ...]) -> tuple[str, ...]:
    """The warnings that a compiler has besides."""
    words = [*command, "-Werror", ARITHMETIC, "-x", "c", "-fsyntax-only", "-"]
    ran = subprocess.run(words, input="", capture_output=True, text=True, check=False)
    return (ARITHMETIC,) if ran.returncode == 0 else ()


def complaints(
    command: tuple[str, ...],
    files: Mapping[str, str],
    language: str,
    folder: Path,
    more: tuple[str, ...] | None = None,
) -> str:
    """What the compiler says of every source among ``files``, with all warnings that it has or
    the strict ones and ``more``."""
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    words = [
        *command,
        *compiler.STRICT,
        *(more_warnings(command) if more is None else more),
        f"-std={language}",
        "-O2",
        "-c",
        "-o",
        "object.o",
    ]
    words += ["-x", "c++" if language.startswith("c++") else "c"]
    messages = []
    for name in files:
        if name.endswith(".c"):
            ran = subprocess.run(
                [*words, name], cwd=folder, capture_output=True, text=True, check=False
            )
            if ran.returncode:  # Warnings are errors; zig's driver has some of its own.
                messages.append(ran.stderr)
    return "".join(messages)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("case", CASES)
def test_the_compiler_at_hand_is_silent(case: str, language: compiler.Language) -> None:
    """A measured bus with sums of two words hid a name of its own."""
    plan = CASES[case]
    files = plan_cases.render(plan)
    assert compiler.strict_messages(files, [f"{plan.name}.c"], language) == ""


def test_a_carry_was_added_to_promoted_high_words(tmp_path: Path) -> None:
    """Bug: two high words of 16 bits and an unsigned 1, of which no warning but this one spoke."""
    command = (need_tool("gcc"),)
    if not more_warnings(command):
        leave_out(f"{command[0]} has no {ARITHMETIC}")
    plan = plan_cases.CASES["moving high"]
    files = plan_cases.render(plan)
    assert complaints(command, files, "c99", tmp_path) == ""
    source = f"{plan.name}.c"
    old = files[source].replace(
        "(uint32_t)above_high + below_high + 1u", "above_high + below_high + 1u"
    )
    assert "=arith-conversion" in complaints(command, {**files, source: old}, "c99", tmp_path)


FAST_TYPES_OF_16_BITS = """#include <stdint.h>
#define uint_fast8_t uint8_t
#define uint_fast16_t uint16_t
"""
"""C99 7.18.1.3 lets the fast types have any width from the one in their name on."""


@pytest.mark.parametrize("case", ["mean integral only", "normalised wide ramped"])
def test_fast_types_of_16_bits_where_int_has_32(case: str, tmp_path: Path) -> None:
    """Bug: the duty's rounding was of int's width there and was stored without a cast."""
    command = (need_tool("gcc"), "-include", "fast_types.h")
    (tmp_path / "fast_types.h").write_text(FAST_TYPES_OF_16_BITS, encoding="utf-8")
    plan = plan_cases.CASES[case]
    assert plan.duty_shift, "a case whose duty is rounded by a shift of its own"
    files = plan_cases.render(plan)
    assert complaints(command, files, "c99", tmp_path, more=()) == ""


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("name", ["gcc", "zig"])
@pytest.mark.parametrize("spec", examples("quay_kiosk", "marsh_gauge", "ridge_relay"))
def test_host_compilers_are_silent(spec: Path, name: str, language: str, tmp_path: Path) -> None:
    if name == "gcc":
        command: tuple[str, ...] = (need_tool("g++" if language == "c++17" else "gcc"),)
    else:
        command = (sys.executable, "-m", "ziglang", "cc")
    assert complaints(command, generate(load_spec(spec)).texts, language, tmp_path) == ""


@pytest.mark.parametrize(
    ("cases", "languages"),
    [
        pytest.param(IN_CI, ("c99", "c++17"), id="one of a kind", marks=pytest.mark.full),
        pytest.param(CASES, LANGUAGES, id="all cases", marks=pytest.mark.long),
    ],
)
@pytest.mark.parametrize("kind", ["zig", "gcc"])
@pytest.mark.parametrize("machine", MACHINES.values(), ids=MACHINES.keys())
def test_cross_compilers_are_silent(
    machine: Machine,
    kind: str,
    cases: Collection[str],
    languages: tuple[str, ...],
    tmp_path: Path,
) -> None:
    chain = (toolchains.zig if kind == "zig" else toolchains.gcc)(machine)
    if chain is None:
        return  # no package has this gcc
    if not isinstance(chain, toolchains.Toolchain):
        leave_out(f"{chain.tool} is missing: {chain.install}")
    command = (*chain.command, "-ffreestanding")
    for case in cases:
        for language in languages:
            assert complaints(command, plan_cases.render(CASES[case]), language, tmp_path) == ""


@pytest.mark.full
def test_it_sees_a_planted_narrowing(tmp_path: Path) -> None:
    bad = {"x.c": "short narrow(long a);\nshort narrow(long a) { return a; }\n"}
    for command in (("gcc",), (sys.executable, "-m", "ziglang", "cc")):
        assert "conversion" in complaints(command, bad, "c99", tmp_path)
