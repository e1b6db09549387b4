"""cppcheck with its MISRA C:2012 addon: what it says is what docs/misra.md lists, no more, no less.

The outside source is the addon; the rules' numbers are its own. Checked as a processor with 16-bit
int sees the C, because there typed constants carry the suffix that their type needs.
"""

from __future__ import annotations

import subprocess
from collections.abc import Collection, Mapping
from pathlib import Path

import pytest

from halfcycle.generate.pipeline import generate
from halfcycle.spec.load import load_spec
from halfcycle.verify import compiler
from support import measured, plan_cases
from support.effort import examples
from support.misra_page import anonymous, by_hand, of_the_checker, statements
from support.paths import SPECS
from support.tools import need_tool

STDINT = {
    "INT16_C(c)": "c",
    "UINT16_C(c)": "c##U",
    "INT32_C(c)": "c##L",
    "UINT32_C(c)": "c##UL",
    "UINT16_MAX": "65535U",
    "INT32_MAX": "2147483647L",
    "UINT32_MAX": "4294967295UL",
    # It knows the exact types by their names, and takes others for wider ones.
    "uint_least8_t": "uint8_t",
    "uint_fast16_t": "uint16_t",
}
"""What the addon must know of stdint.h, with an int of 16 bits."""


def deviations_of(files: Mapping[str, str], name: str, folder: Path) -> set[tuple[str, str]]:
    """(rule or cppcheck's own id, the line meant with names and numbers taken out)."""
    cppcheck = need_tool("cppcheck")
    for file, text in files.items():
        (folder / file).write_text(text, encoding="utf-8")
    command = [cppcheck, "--addon=misra", "--std=c99", "--platform=avr8", "--quiet"]
    command += ["--enable=warning,style,performance,portability"]
    command += ["--template={file}|{line}|{id}", "--template-location="]
    command += [f"-D{macro}={value}" for macro, value in STDINT.items()]
    sources = [file for file in files if file.endswith(".c")]
    ran = subprocess.run(
        [*command, *sources], cwd=folder, capture_output=True, text=True, check=True
    )
    rows = set()
    for line in ran.stderr.splitlines():
        file, number, rule = line.split("|")
        text = statements(files[file])[int(number) - 1]
        rows.add((rule.removeprefix("misra-c2012-"), anonymous(text, name)))
    return rows


MEASURED = {f"bus {name}": plan for name, plan in measured.COMPILED.items()}
ALL = {*(path.stem for path in SPECS), *plan_cases.CASES, *MEASURED}
IN_CI = {
    *("quay_kiosk", "print_shop", "bus high", "moving latched", "moving each sample"),
    *plan_cases.IN_CI,
}
"""Among these each of the deviations is."""


def deviations(names: Collection[str], folders: pytest.TempPathFactory) -> set[tuple[str, str]]:
    """All that is said of the C of these committed examples and variants."""
    rows: set[tuple[str, str]] = set()
    for path in SPECS:
        if path.stem in names:
            made = generate(load_spec(path))
            rows |= deviations_of(made.texts, made.plan.name, folders.mktemp("misra"))
    for name, plan in (plan_cases.CASES | MEASURED).items():
        if name in names:
            rows |= deviations_of(plan_cases.render(plan), plan.name, folders.mktemp("misra"))
    return rows


@pytest.mark.parametrize(
    "names",
    [
        pytest.param(IN_CI, id="of each deviation one", marks=pytest.mark.full),
        pytest.param(ALL, id="all", marks=pytest.mark.long),
    ],
)
def test_every_deviation_is_listed_and_no_other(
    names: Collection[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    assert names <= ALL
    shown = deviations(names, tmp_path_factory)
    rows = "\n".join(f"| {rule} | `{line}` | WHY |" for rule, line in sorted(shown))
    assert shown == set(of_the_checker()), f"now:\n{rows}"


def test_every_listed_deviation_has_its_reason() -> None:
    assert of_the_checker() and by_hand()
    assert all(
        len(why.split()) > 4 for rows in (of_the_checker(), by_hand()) for why in rows.values()
    )


@pytest.mark.full
@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        # MISRA C:2012 15.5 (one exit), 15.7 (final else), 10.4 (mixed signs), from memory.
        ("int complete = 0;", "int complete = 0;\n    if (adc_code == 7u) return 0;", "15.5"),
        (" else {\n        /* inside the limits */\n    }\n    s->i", "\n    s->i", "15.7"),
        ("((value & 255u) * gain)", "((value & 255) * gain)", "10.4"),
    ],
)
def test_it_sees_a_planted_deviation(old: str, new: str, rule: str, tmp_path: Path) -> None:
    plan = plan_cases.CASES["mean"]
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1
    shown = deviations_of({**files, source: files[source].replace(old, new)}, plan.name, tmp_path)
    assert rule in {other for other, _ in shown - set(of_the_checker())}


@pytest.mark.parametrize("spec", examples("quay_kiosk", "weir_pump", "ridge_relay"))
def test_gcc_analyser_is_silent(spec: Path) -> None:
    need_tool("gcc")
    generation = generate(load_spec(spec))
    for source in (f"{generation.plan.name}.c", f"{generation.plan.name}_selftest.c"):
        assert analysed(generation.texts, source) == ""


@pytest.mark.full
def test_gcc_analyser_sees_a_planted_defect() -> None:
    need_tool("gcc")
    bad = "int f(int a);\nint f(int a) { int b[2]; if (a > 3) { b[0] = a; } return b[0]; }\n"
    assert "analyzer" in analysed({"f.c": bad}, "f.c")


def analysed(files: Mapping[str, str], source: str) -> str:
    """What gcc -fanalyzer says, "" where nothing."""
    try:
        compiler.build_shared(files, [source], flags=["-O1", "-fanalyzer", "-Werror"])
    except compiler.CompileError as error:
        return str(error)
    return ""
