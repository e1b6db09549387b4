"""Other ways to take the integer square root of an RMS update, and what each costs on targets.

Run: ``python tests/benchmarks/root_forms.py [TARGET ...]``. Each form takes the root's place in
the C of a hand-made Plan, must give the model's bits on this machine, and the update's cost is its
worst over the root's extreme arguments. All have the Plan's digits.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Mapping

from halfcycle.regulator.plan import Plan
from halfcycle.targets import cost
from halfcycle.targets import run as runner
from halfcycle.targets.run import Way
from halfcycle.verify import compare
from support import plan_cases, planted

TARGETS = ("cortex-m0plus", "cortex-m4", "rv32imc", "avr")
PLAN = planted.plan_of("rms")
DIGITS = PLAN.root_place // 2 + 1
HEAD = "static uint32_t NAME_root(uint32_t value)\n{\n"
NEAREST = "    return (remainder > result) ? (result + 1u) : result;\n}\n"
SQUARED = "    return ((value - (result * result)) > result) ? (result + 1u) : result;\n}\n"


def digit_of(place: str, indent: str) -> str:
    """One digit of the generated form, at ``place``."""
    text = f"{indent}trial = result + {place};\n{indent}result >>= 1;\n"
    text += f"{indent}if (remainder >= trial) {{\n{indent}    remainder -= trial;\n"
    return text + f"{indent}    result += {place};\n{indent}}}\n"


def by_digits(turn: int) -> str:
    """The generated form, with ``turn`` digits in a turn of its loop."""
    first = 2 * (-(-DIGITS // turn) * turn - 1)
    text = HEAD + "    uint32_t remainder = value;\n    uint32_t result = 0u;\n"
    text += f"    uint32_t place = UINT32_C({1 << first});\n    while (place != 0u) {{\n"
    text += "        uint32_t trial;\n"
    for digit in range(turn):
        text += digit_of(f"(place >> {2 * digit})" if digit else "place", 8 * " ")
    return text + f"        place >>= {2 * turn};\n    }}\n" + NEAREST


def unrolled() -> str:
    """The same without a loop, its places constants."""
    text = HEAD + "    uint32_t remainder = value;\n    uint32_t result = 0u;\n"
    text += "    uint32_t trial;\n"
    for digit in reversed(range(DIGITS)):
        text += digit_of(f"UINT32_C({1 << 2 * digit})", 4 * " ")
    return text + NEAREST


def by_squares(turn: int) -> str:
    """Each digit tried by a multiplication, ``turn`` of them in a turn of the loop."""
    first = -(-DIGITS // turn) * turn - 1
    text = HEAD + "    uint32_t result = 0u;\n"
    text += f"    uint16_t digit = {1 << first}u;\n    while (digit != 0u) {{\n"
    text += "        uint16_t trial;\n"
    for at in range(turn):
        digit = f"(digit >> {at})" if at else "digit"
        text += f"        trial = (uint16_t)(result + {digit});\n"
        text += "        if (((uint32_t)trial * trial) <= value) {\n"
        text += "            result = trial;\n        }\n"
    return text + f"        digit >>= {turn};\n    }}\n" + SQUARED


def by_wide_squares() -> str:
    """The same without a loop, in words of 32 bits."""
    text = HEAD + "    uint32_t result = 0u;\n    uint32_t trial;\n"
    for digit in reversed(range(DIGITS)):
        text += f"    trial = result + {1 << digit}u;\n"
        text += "    if ((trial * trial) <= value) {\n        result = trial;\n    }\n"
    return text + SQUARED


def newton() -> str:
    """Newton's steps by division, from above: a start within a factor of two by magnitude, after
    which four steps leave at most one too much. From the last reading the worst case is no better:
    it may be 0."""
    text = HEAD + f"    uint32_t result = {1 << DIGITS}u;\n    uint16_t step;\n"
    text += "    while ((result > 1u) && (((result >> 1) * (result >> 1)) > value)) {\n"
    text += "        result >>= 1;\n    }\n"
    text += "    for (step = 0u; step < 4u; step++) {\n"
    text += "        result = (result + (value / result)) >> 1;\n"
    text += "        result = (result == 0u) ? 1u : result;\n    }\n"
    text += "    while ((result * result) > value) {\n        result -= 1u;\n    }\n"
    return text + SQUARED


FORMS: Mapping[str, Callable[[], str]] = {
    "digit by digit, as generated": lambda: by_digits(1),
    "two digits a turn": lambda: by_digits(2),
    "four digits a turn": lambda: by_digits(4),
    "no loop": unrolled,
    "a product a digit": lambda: by_squares(1),
    "a product a digit, four a turn": lambda: by_squares(4),
    "a product a digit, no loop": by_wide_squares,
    "Newton by division": newton,
}


def files_with(plan: Plan, form: str) -> dict[str, str]:
    """The Plan's C with another root."""
    files = plan_cases.render(plan)
    name = f"{plan.name}.c"
    old = re.compile(rf"static uint32_t {plan.name}_root\(.*?\n}}\n", re.DOTALL)
    assert len(old.findall(files[name])) == 1
    return {**files, name: old.sub(FORMS[form]().replace("NAME", plan.name), files[name])}


def require_exact(plan: Plan, files: Mapping[str, str]) -> None:
    """Every update must give the model's bits, on this machine."""
    result = compare.verify(plan, files, samples=20_000)
    assert result.mismatch is None, result.mismatch


def update_cost(plan: Plan, files: Mapping[str, str], way: Way) -> int:
    """Cycles, or instructions if the emulator tells none, of the dearest update."""
    kind = way.emulators[0][0]
    cpu = runner.start(way, kind, runner.guest_image(plan, files, way, kind))
    update = cost.measure(plan, cpu, cost.calls(plan, states=60)).kinds["update"]
    return update.cycles or update.instructions


def main(targets: list[str]) -> None:
    """A row a form: the update's cost, and the flash of the regulator, on each target."""
    plan = PLAN
    ways, _ = runner.ways(targets or TARGETS)
    print(" | ".join(["form", *(f"{way.machine.name} {way.chain.kind}" for way in ways)]))
    for form in FORMS:
        files = files_with(plan, form)
        require_exact(plan, files)
        row = [
            f"{update_cost(plan, files, way)}, {runner.bare_image(plan, files, way).flash_bytes}"
            for way in ways
        ]
        print(" | ".join([form, *row]), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
