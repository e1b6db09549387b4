"""What once fooled or crashed the proof, one test each: it is refused, in plain words."""

from __future__ import annotations

import re

import pytest

from halfcycle.prove import c_text
from halfcycle.prove.c_operators import Number
from halfcycle.prove.c_source import parse
from halfcycle.prove.path_machine import PathMachine
from halfcycle.prove.paths import Paths
from halfcycle.prove.prove import equal, prove
from halfcycle.regulator.plan import Plan
from halfcycle.regulator.state import CALL_NAMES
from support import plan_cases, planted

Change = tuple[str, str, str, str]
"""What it is, file ending, old text, new text."""

RETURN = "    return flags;"
REFUSED: tuple[Change, ...] = (
    ("static local that grows", ".c", RETURN, f"    static uint16_t calls = 0u;\n{RETURN}"),
    (
        "name in an inner block that hides one outside",
        ".c",
        "    if ((count + 1u) < REED_LAMP_SAMPLES) {",
        "    if ((count + 1u) < REED_LAMP_SAMPLES) {\n        const uint32_t code = 0u;",
    ),
    (
        "local that hides a function",
        ".c",
        RETURN,
        f"    const uint16_t reed_lamp_scale_by = 0u;\n    (void)reed_lamp_scale_by;\n{RETURN}",
    ),
    (
        "local that hides the table",
        ".c",
        RETURN,
        f"    const uint16_t reed_lamp_quarter = 0u;\n    (void)reed_lamp_quarter;\n{RETURN}",
    ),
    (
        "local that hides the state",
        ".c",
        "    if (rms_mv <= 0) {",
        "    if (rms_mv <= 0) {\n        const int32_t s = rms_mv;\n        (void)s;",
    ),
    (
        "second struct",
        ".h",
        "struct reed_lamp_state {",
        "struct other { int a; };\nstruct reed_lamp_state {",
    ),
    (
        "variable outside functions",
        ".c",
        "void reed_lamp_reset",
        "static uint16_t kept = 0u;\n\nvoid reed_lamp_reset",
    ),
    (
        "table that is not constant",
        ".c",
        "static const REED_LAMP_IN_FLASH uint16_t reed_lamp_quarter",
        "static REED_LAMP_IN_FLASH uint16_t reed_lamp_quarter",
    ),
    (
        "code for one target only",
        ".c",
        RETURN,
        f"#ifdef __AVR__\n    return 0u;\n#else\n{RETURN}\n#endif",
    ),
    (
        "constant of one target only",
        ".h",
        "#define REED_LAMP_SAMPLES 25u",
        "#ifdef __AVR__\n#define REED_LAMP_SAMPLES 26u\n#else\n"
        "#define REED_LAMP_SAMPLES 25u\n#endif",
    ),
    (
        "constant of one compiler",
        ".h",
        "REED_LAMP_SAMPLES 25u",
        "REED_LAMP_SAMPLES (25u + (__SIZEOF_POINTER__ == 2))",
    ),
    ("macro over a type", ".h", "#include <stdint.h>", "#include <stdint.h>\n#define uint16_t int"),
    (
        "another header",
        ".c",
        '#include "reed_lamp.h"',
        '#include "reed_lamp.h"\n#include <limits.h>',
    ),
    ("pragma", ".c", "void reed_lamp_reset", "#pragma pack(1)\nvoid reed_lamp_reset"),
    ("loop without a condition", ".c", RETURN, f"    for (;;) {{\n    }}\n{RETURN}"),
    ("loop without an end", ".c", RETURN, f"    while (1 != 0) {{\n    }}\n{RETURN}"),
    ("call of itself", ".c", RETURN, f"    (void)reed_lamp_flags(s);\n{RETURN}"),
    ("call that may not return", ".c", RETURN, f"    abort();\n{RETURN}"),
    ("bit field", ".h", "uint16_t count;", "uint16_t count : 9;"),
    ("pointer to elsewhere", ".c", RETURN, f"    const uint16_t *p = &s->flags[0];\n{RETURN}"),
    (
        "array of locals",
        ".c",
        RETURN,
        f"    uint16_t both[2] = {{0u, 0u}};\n    (void)both;\n{RETURN}",
    ),
    (
        "function pointer",
        ".c",
        RETURN,
        f"    int16_t (*call)(const struct reed_lamp_state *) = reed_lamp_scale;\n{RETURN}",
    ),
    (
        "change of the state inside an expression",
        ".c",
        "const int32_t drive = reed_lamp_regulate(s, error, top);",
        "const int32_t drive = s->integral - s->integral + reed_lamp_regulate(s, error, top);",
    ),
    (
        "predefined macro after a parameter list without a blank",
        ".c",
        "void reed_lamp_reset",
        "#define REED_LAMP_W()__SIZEOF_INT__\nvoid reed_lamp_reset",
    ),
    (
        "predefined macro after a tab",
        ".h",
        "#define REED_LAMP_RATED_MV",
        "#define\tREED_LAMP_W\t__SIZEOF_INT__\n#define REED_LAMP_RATED_MV",
    ),
    (
        "predefined macro pasted",
        ".c",
        "void reed_lamp_reset",
        "#define REED_LAMP_J(a, b, c) a##b##c\nvoid reed_lamp_reset",
    ),
    (
        "body that pastes",
        ".h",
        "#define REED_LAMP_RATED_MV INT32_C(230000)",
        "#define REED_LAMP_RATED_MV INT32_C(2300##00)",
    ),
    ("flash as a switch", ".c", RETURN, "    return flags REED_LAMP_IN_FLASH;"),
    (
        "flash on a local",
        ".c",
        RETURN,
        f"    const REED_LAMP_IN_FLASH uint16_t far_off = 0u;\n    (void)far_off;\n{RETURN}",
    ),
    (
        "string that hides a condition",
        ".h",
        "#define REED_LAMP_RATED_MV",
        '#define REED_LAMP_T "\\n/*"\n#ifdef __AVR__\n#undef REED_LAMP_SAMPLES\n'
        "#define REED_LAMP_SAMPLES 26u\n#endif\n/* */\n#define REED_LAMP_RATED_MV",
    ),
    ("undef", ".c", "void reed_lamp_reset", "#undef REED_LAMP_SAMPLES\nvoid reed_lamp_reset"),
    (
        "linkage for C++ inside a function",
        ".h",
        "#define REED_LAMP_RATED_MV",
        "#ifdef __cplusplus\n}\n#endif\n#define REED_LAMP_RATED_MV",
    ),
    (
        "linkage for C++ in the C",
        ".c",
        "void reed_lamp_reset",
        '#ifdef __cplusplus\nextern "C" {\n#endif\nvoid reed_lamp_reset',
    ),
    (
        "block of C++ inside a function",
        ".c",
        RETURN,
        f"#ifdef __cplusplus\n}}\n#endif\n{RETURN}",
    ),
    (
        "comment that goes on after a backslash and a blank",
        ".c",
        RETURN,
        f"    // as it is \\ \n    last++;\n{RETURN}",
    ),
    ("comment that C90 does not know", ".c", RETURN, f"    // as it is\n{RETURN}"),
    ("trigraph", ".c", RETURN, f"    /* as it is ??/\n*/\n{RETURN}"),
    ("carriage return", ".c", RETURN, f"    /* as it is \r */\n{RETURN}"),
    ("character beyond ASCII", ".c", RETURN, f"    /* \u8868 */\n{RETURN}"),
    (
        "macro of the header defined again",
        ".c",
        "void reed_lamp_reset",
        "#define REED_LAMP_SAMPLES 25u\nvoid reed_lamp_reset",
    ),
    (
        "macro of the C alone",
        ".c",
        "void reed_lamp_reset",
        "#define REED_LAMP_W 1u\nvoid reed_lamp_reset",
    ),
    ("letter of some compilers only", ".c", RETURN, "    return flags$;"),
    (
        "call that is inline",
        ".c",
        "\nuint16_t reed_lamp_flags",
        "\ninline uint16_t reed_lamp_flags",
    ),
    (
        "call that is static",
        ".c",
        "\nuint16_t reed_lamp_flags",
        "\nstatic uint16_t reed_lamp_flags",
    ),
    (
        "function from elsewhere",
        ".h",
        "#define REED_LAMP_RATED_MV",
        "void abort(void);\n#define REED_LAMP_RATED_MV",
    ),
    (
        "directive that goes on behind a comment",
        ".h",
        "#define REED_LAMP_RATED_MV",
        "#define REED_LAMP_W /* width\n*/ (sizeof(int))\n#define REED_LAMP_RATED_MV",
    ),
    ("constant that is signed on some", ".c", RETURN, "    return UINT16_C(3) & flags;"),
    (
        "interrupt of its own",
        ".c",
        "void reed_lamp_reset",
        "void timer(void) { }\n\nvoid reed_lamp_reset",
    ),
)


def changed(change: Change) -> tuple[Plan, dict[str, str]]:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    _, ending, old, new = change
    name = f"{plan.name}{ending}"
    assert files[name].count(old) == 1, files[name].count(old)
    return plan, {**files, name: files[name].replace(old, new)}


def reached(change: Change, files: dict[str, str]) -> tuple[str, ...]:
    """The call that the change stands in, or every call if it stands in none of them: a proof of
    the calls beside it takes long and says what it says of good C."""
    _, ending, _, new = change
    before = files[f"reed_lamp{ending}"].split(new)[0].rpartition("\n}\n")[2]
    inside = re.search(r"^\w.* reed_lamp_(\w+)\([^;]*\n\{", before, re.MULTILINE)
    return (inside[1],) if ending == ".c" and inside else CALL_NAMES


@pytest.mark.parametrize("change", REFUSED, ids=lambda change: change[0])
def test_what_is_not_understood_is_refused_in_plain_words(change: Change) -> None:
    plan, files = changed(change)
    calls = reached(change, files)
    ranges, same = prove(plan, files, calls), equal(plan, files, calls)
    refused = [proof for proof in (*ranges, *same) if not proof.passed]
    assert any(proof in refused for proof in ranges) and any(proof in refused for proof in same)
    # Never by a crash, which names a Python exception.
    assert not [proof for proof in refused if "Error" in proof.detail or "error:" in proof.detail]


def test_a_loop_without_a_condition_was_refused_in_the_words_of_an_exception() -> None:
    plan, files = changed(next(c for c in REFUSED if c[0] == "loop without a condition"))
    line = files[f"{plan.name}.c"].splitlines().index("    for (;;) {") + 1
    wanted = f"{plan.name}.c:{line}: for (;;) {{ }}: a loop without a condition"
    proofs = [*prove(plan, files, ("flags",)), *equal(plan, files, ("flags",), run=False)]
    assert [proof for proof in proofs if wanted in proof.detail and not proof.passed]
    assert not [proof for proof in proofs if "Error" in proof.detail]


def test_an_unfinished_condition_does_not_crash_the_reader() -> None:
    plan = planted.plan_of("mean")
    files = plan_cases.render(plan)
    for cut in ("#if 1", "#endif", "/*", '"', "#define", "}", '#if 1\n#else\n#error "a"'):
        for ending in (".h", ".c"):
            name = f"{plan.name}{ending}"
            assert c_text.faults({**files, name: files[name] + cut}, plan.name)
            assert c_text.faults({**files, name: files[name] + cut + "\n"}, plan.name)
    assert not c_text.faults(files, plan.name)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("reed_lamp_root(uint32_t value)", "reed_lamp_root(uint16_t value)"),
        ("static uint32_t reed_lamp_root", "static uint_least8_t reed_lamp_root"),
        ("static uint32_t reed_lamp_root", "static int32_t reed_lamp_root"),
        ("    uint32_t remainder = value;", "    uint16_t remainder = (uint16_t)value;"),
    ],
)
def test_a_root_of_a_narrower_type_was_taken_for_the_whole(old: str, new: str) -> None:
    """The argument was not converted to what the function takes, nor the result to what it
    returns."""
    plan = planted.plan_of("rms")
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    assert files[source].count(old) == 1
    files[source] = files[source].replace(old, new)
    (same, _) = equal(plan, files, ["update"], run=False)
    assert same.name == "update equal" and not same.passed
    assert "does not take, keep and return uint32_t" in same.detail


def test_a_known_function_takes_and_returns_what_its_types_hold() -> None:
    plan = planted.plan_of("rms")
    files = plan_cases.render(plan)
    source = f"{plan.name}.c"
    files[source] = files[source].replace(
        "static uint32_t reed_lamp_root(uint32_t", "static uint_least8_t reed_lamp_root(uint16_t"
    )
    parsed = parse(files, source, 32)
    seen: list[int] = []

    def known(_machine: PathMachine, value: int) -> int:
        seen.append(value)
        return 515

    machine = PathMachine(parsed, Paths(), {}, {"reed_lamp_root": known})
    result = machine.call("reed_lamp_root", [Number(70_000, parsed.types["uint32_t"])], "here")
    assert seen == [70_000 - 65_536]
    assert result is not None and result.value == 515 % 256


HAND_OVER: tuple[tuple[Change, str], ...] = (
    (("no volatile", ".h", "volatile int16_t scale[2]", "int16_t scale[2]"), "scale"),
    (
        (
            "sequence not volatile",
            ".h",
            "volatile uint_least8_t window_sequence",
            "uint_least8_t window_sequence",
        ),
        "scale",
    ),
    (
        (
            "sequence of the outputs before the outputs",
            ".c",
            "    REED_LAMP_FENCE();\n    s->output_sequence = sequence;",
            "    s->output_sequence = sequence;\n    s->flags[sequence & 1u] = flags;",
        ),
        "update",
    ),
    (
        (
            "count of the outputs after one of them",
            ".c",
            "    s->updates[sequence & 1u] =",
            "    s->scale[sequence & 1u] = scale;\n    s->updates[sequence & 1u] =",
        ),
        "update",
    ),
    (
        (
            "sequence before the sum",
            ".c",
            "        s->window_below[sequence & 1u] = s->below;\n"
            "        s->window_sequence = sequence;",
            "        s->window_sequence = sequence;\n"
            "        s->window_below[sequence & 1u] = s->below;",
        ),
        "sample",
    ),
    (
        (
            "store into the slot in use, put right later",
            ".c",
            "    s->scale[sequence & 1u] = scale;",
            "    const int16_t kept = s->scale[before & 1u];\n    s->scale[before & 1u] = 0;\n"
            "    s->scale[before & 1u] = kept;\n    s->scale[sequence & 1u] = scale;",
        ),
        "update",
    ),
    (
        (
            "index stored twice",
            ".c",
            "    s->target_sequence = sequence;\n",
            "    s->target_sequence = sequence;\n    s->target_sequence = sequence;\n",
        ),
        "set_target_mv",
    ),
    (
        (
            "index read twice by a reader",
            ".c",
            "    flags = s->flags[first & 1u];",
            "    last = s->output_sequence;\n    flags = s->flags[first & 1u];",
        ),
        "flags",
    ),
    (
        (
            "private field of another level stored as it was",
            ".c",
            "    s->target_sequence = sequence;\n",
            "    s->count = (uint16_t)(s->count & 31u);\n    s->target_sequence = sequence;\n",
        ),
        "set_target_mv",
    ),
    (
        (
            "private field of another level stored on the way",
            ".c",
            "    if (rms_mv <= 0) {",
            "    if (rms_mv == 77) {\n        s->integral = s->integral;\n    }\n"
            "    if (rms_mv <= 0) {",
        ),
        "set_target_mv",
    ),
    (
        (
            "private field of another level stored by a function that it calls",
            ".c",
            "void reed_lamp_set_target_mv(struct reed_lamp_state *s, int32_t rms_mv)\n{",
            "static void reed_lamp_keep(struct reed_lamp_state *s)\n{\n"
            "    s->taken_sequence = s->taken_sequence;\n}\n\n"
            "void reed_lamp_set_target_mv(struct reed_lamp_state *s, int32_t rms_mv)\n{"
            "\n    reed_lamp_keep(s);",
        ),
        "set_target_mv",
    ),
    (
        (
            "private field of another level read in halves",
            ".c",
            "    return flags;",
            "    return (s->integral < 0) ? 0u : flags;",
        ),
        "flags",
    ),
    (
        (
            "slot read that is being filled",
            ".c",
            "    return flags;",
            "    return (s->flags[(first + 1u) & 1u] > 4095u) ? 0u : flags;",
        ),
        "flags",
    ),
    (
        (
            "field of another level written",
            ".c",
            "    s->target_sequence = sequence;\n",
            "    s->output_sequence = s->output_sequence;\n    s->target_sequence = sequence;\n",
        ),
        "set_target_mv",
    ),
)


LONG = ("count of the outputs after one of them", "store into the slot in use, put right later")
"""Proofs of an update besides that of the row before them."""


@pytest.mark.parametrize(
    ("change", "call"),
    [
        pytest.param(change, call, id=change[0], marks=[pytest.mark.long] * (change[0] in LONG))
        for change, call in HAND_OVER
    ],
)
def test_a_broken_hand_over_is_seen_though_every_value_is_right(change: Change, call: str) -> None:
    plan, files = changed(change)
    proofs = {proof.name: proof for proof in equal(plan, files, [call])}
    assert not proofs.pop("hand-over").passed
    assert not [proof for proof in proofs.values() if not proof.passed]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("uint16_t adc_code", "int16_t adc_code"),
        ("int32_t rms_mv", "int16_t rms_mv"),
    ],
)
def test_another_argument_type_is_not_the_interface(old: str, new: str) -> None:
    # All values of the narrower type agree, so that equality alone says nothing.
    plan = planted.plan_of("mean")
    files = {name: text.replace(old, new) for name, text in plan_cases.render(plan).items()}
    assert [proof.name for proof in equal(plan, files, ["scale"]) if not proof.passed] == [
        "hand-over"
    ]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            ("block", ".c", RETURN, f"    {{ const uint16_t more = 0u; (void)more; }}\n{RETURN}"),
            "a block of its own inside a function is not understood",
        ),
        (
            ("comma", ".c", RETURN, "    return (uint16_t)(1u, flags);"),
            "a comma operator is not understood",
        ),
    ],
    ids=["block", "comma"],
)
def test_the_hand_over_was_called_right_though_a_call_was_not_read(
    change: Change, words: str
) -> None:
    """What is wrong in a call that no path was followed through was not seen; and the refusal
    named a class of the parser."""
    plan, files = changed(change)
    proofs = {proof.name: proof for proof in equal(plan, files, ["flags"])}
    assert words in proofs["flags equal"].detail
    assert not proofs["hand-over"].passed
    assert "not every path of flags was followed" in proofs["hand-over"].detail
