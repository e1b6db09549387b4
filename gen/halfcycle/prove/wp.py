"""A second opinion on what the arithmetic computes: Frama-C's WP on contracts made of the Plan.

The contracts are ACSL in mathematical integers (``templates/wp_contracts.j2``), put before the
functions in a copy of the C; WP reads that copy, and z3 decides by way of Why3. Neither this
package's reading of C nor its model is part of it. Not on PyPI (Debian: apt install frama-c-base
why3 z3), so it is used if all three are installed.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.base import resources
from halfcycle.base.errors import ToolMissingError
from halfcycle.base.state import State
from halfcycle.generate.emit import UNROLLED_BLOCKS
from halfcycle.prove import frama_c
from halfcycle.regulator.bus_plan import BUS_BITS
from halfcycle.regulator.plan import LEAN_WORD, SCALE_BITS, Plan
from halfcycle.regulator.state import least_slots
from halfcycle.regulator.turn import TURN_CALL_NAMES

GOAL_S = 20
"""Seconds for a goal; those of the examples take a second at most."""
MAX_SHOWN = 3
PHASE_SHIFT = 16
"""From the oscillator's phase to the one that drive and duty take."""
OPTIONS = (
    "-wp",
    *("-wp-prover", "z3"),
    # One at a time: a check is not to take the whole machine.
    *("-wp-par", "1"),
    # Memory by types: no pointer is cast. Integers wrap and are converted as the machine's are.
    *("-wp-model", "Typed"),
    *("-wp-cache", "none"),
)
_GOAL = re.compile(r"^\[wp\] \[[^]\n]+\] Goal typed_(\w+) : (\w+)", re.MULTILINE)
_PROVED = re.compile(r"^\[wp\] Proved goals: +(\d+) / (\d+)", re.MULTILINE)
_BEHAVIOR = re.compile(r"^ *(behavior|ensures) (\w+):", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Gain:
    """What a call of ``scale_by`` multiplies by, and the greatest value that it does so with."""

    name: str
    gain: int
    shift: int
    value_max: int


def missing() -> list[str]:
    """The Debian packages that are not installed here, of those that it needs."""
    found = {"frama-c-base": frama_c.command(), "why3": shutil.which("why3"), "z3": _z3()}
    return [package for package, path in found.items() if path is None]


def unusable() -> str:
    """Why the tools that are installed cannot be used, "" if they can."""
    tools = {frama_c.command(): "-version", shutil.which("why3"): "--version", _z3(): "--version"}
    return frama_c.unusable({path: option for path, option in tools.items() if path})


def versions() -> list[str]:
    """The versions of Why3 and z3, "" if one is not installed."""
    return [frama_c.version_of(tool, "--version") for tool in (shutil.which("why3"), _z3())]


def functions(plan: Plan) -> tuple[str, ...]:
    """The functions of this Plan's C that have a contract, without the regulator's name."""
    names = ["round_shift", "scale_by", "latch", "lean", "alike"]
    if least_slots(plan):
        names += ["lesser", "safe"]
    if _signed_shifts(plan):
        names.append("round_shift_signed")
    names += ["hold", "publish"]
    # The normalised law's are shown equal to the model alone: products of two unknowns are slow.
    if plan.law is None:
        names += ["set_target_mv", "aim", "regulate"]
    names += ["clear", "rms_mv", "scale", "flags"]
    if plan.blockwise:
        names += ["span", "limited", "due"]
        if not plan.sum_high and plan.blocks <= UNROLLED_BLOCKS:
            names.append("weigh")
    if plan.tracking:
        names += ["zero_there", "zero_held"]
    if plan.bus:
        names += ["led_factor", "fed_scale"]
    if plan.turning:
        names += TURN_CALL_NAMES
    return tuple(names)


def contracts(plan: Plan) -> dict[str, str]:
    """Function to its contract; "preamble": what they are written with."""
    reading_max = plan.signal_range("reading")[1]
    gains = [
        Gain("target", plan.target_gain, plan.target_shift, plan.target_max_mv),
        Gain("millivolt", plan.millivolt_gain, plan.millivolt_shift, reading_max),
    ]
    if least_slots(plan):
        gains.append(Gain("enough", plan.enough_gain, plan.enough_shift, plan.target_max))
    if plan.bus:
        most = plan.block_samples * plan.bus.ratio_high
        gains.append(Gain("limit", plan.bus.limit_gain, plan.bus.limit_shift, most))
    turning = plan.turning
    if turning and turning.adjustable:
        offset_max = turning.high_mhz - turning.low_mhz
        gains.append(Gain("step", turning.gain, turning.shift, offset_max))
    shifts = {plan.reading_shift, plan.scale_shift, SCALE_BITS, SCALE_BITS - plan.table_bits}
    shifts |= _signed_shifts(plan) | {gain.shift - 8 for gain in gains}
    if plan.tracking:
        shifts.add(plan.tracking.slope_shift)
    if plan.bus:
        shifts |= {plan.bus.ratio_shift, BUS_BITS}
    template = resources.templates().get_template("wp_contracts.j2")
    module = template.make_module(
        {
            "plan": plan,
            "gains": gains,
            "shifts": sorted(shifts),
            "signed_shifts": sorted(_signed_shifts(plan)),
            "quotients": sorted(shifts | {3, 8} | ({PHASE_SHIFT} if turning else set())),
            "phase_shift": PHASE_SHIFT,
            "error": plan.signal_range("error"),
            "reading_max": reading_max,
            "lean_word": LEAN_WORD,
        }
    )
    return {name: str(getattr(module, name)()) for name in ("preamble", *functions(plan))}


def annotated(plan: Plan, text: str) -> str:
    """A copy of the C with the contracts.

    ValueError, with words for the user, if a function is not defined once.
    """
    made = contracts(plan)
    for name in functions(plan):
        head = re.compile(rf"^(?:static )?\w+ {plan.name}_{name}\([^;{{}}()]*\)\n\{{", re.MULTILINE)
        places = [found.start() for found in head.finditer(text)]
        if len(places) != 1:
            raise ValueError(
                f"{plan.name}_{name} is defined {len(places)} times as the generator writes it, "
                "not once"
            )
        text = f"{text[: places[0]]}{made[name]}\n{text[places[0] :]}"
    return f"{made['preamble']}\n{text}"


def goals(plan: Plan, names: Sequence[str]) -> list[str]:
    """What WP must show of the functions, as it names its goals."""
    made = contracts(plan)
    return [goal for name in names for goal in _goals_of(f"{plan.name}_{name}", made[name])]


def analyse(plan: Plan, files: Mapping[str, str], int_bits: int) -> tuple[State, str]:
    """(state, detail) of all contracts. Its tools must be installed (``missing``); skipped if Why3
    knows no z3 that is."""
    names = functions(plan)
    try:
        printed = report(plan, files, int_bits, names)
    except ValueError as error:
        return State.FAILED, str(error)
    except frama_c.UndecidedError as error:
        return State.FAILED, str(error)
    except ToolMissingError as error:
        return State.SKIPPED, str(error)
    return judge(printed, goals(plan, names))


def report(
    plan: Plan,
    files: Mapping[str, str],
    int_bits: int,
    names: Sequence[str],
    goal_s: int = GOAL_S,
) -> str:
    """What WP prints about the contracts of these functions.

    Raises ValueError as ``annotated`` and ``frama_c.without_annotations`` do, ToolMissingError if
    Why3 finds no z3, and frama_c.UndecidedError.
    """
    c_file = f"{plan.name}.c"
    texts = frama_c.without_annotations(files, plan.name)
    texts[c_file] = annotated(plan, texts[c_file])
    with frama_c.folder_with(texts) as folder:
        if "Found prover Z3" not in _run(["why3", "config", "detect"], folder):
            raise ToolMissingError("Why3 finds no z3 that it knows (Debian: apt install z3)")
        return _run(
            [
                *("frama-c", *frama_c.options(int_bits)),
                *(*OPTIONS, "-wp-timeout", str(goal_s)),
                *("-wp-fct", ",".join(f"{plan.name}_{name}" for name in names)),
                c_file,
            ],
            folder,
        )


def open_goals(report: str) -> list[str]:
    """The goals of a report of WP that are not proven."""
    return [goal for goal, answer in _GOAL.findall(report) if answer != "Valid"]


def judge(report: str, needed: Sequence[str]) -> tuple[State, str]:
    """Whether WP's report shows all of its goals proven, those ``needed`` among them."""
    proved = _PROVED.search(report)
    if proved is None:
        return State.FAILED, f"no result: {' '.join(report.split())[-300:]}"
    if unproven := open_goals(report):
        more = f" and {len(unproven) - MAX_SHOWN} more" if len(unproven) > MAX_SHOWN else ""
        shown = ", ".join(unproven[:MAX_SHOWN])
        return State.FAILED, f"undecided within {GOAL_S} s: {shown}{more}"
    answered = {goal for goal, _ in _GOAL.findall(report)}
    if lacking := [goal for goal in needed if not {goal, f"{goal}_part1"} & answered]:
        return State.FAILED, f"no answer on {', '.join(lacking[:MAX_SHOWN])}"
    if proved[1] != proved[2] or int(proved[2]) != len(answered):
        return State.FAILED, f"{proved[1]} of {proved[2]} goals proven, {len(answered)} shown"
    return State.PASSED, f"all {proved[2]} goals proven, which stand for {len(needed)} clauses"


def _signed_shifts(plan: Plan) -> set[int]:
    """The shifts that the C rounds by with a sign: a shift of 0 is left out there."""
    shifts = set() if plan.law else {plan.integral_shift, plan.proportional_shift} - {0}
    if plan.tracking:
        shifts |= {plan.tracking.bits, plan.tracking.step_shift}
    return shifts


def _goals_of(function: str, contract: str) -> Iterator[str]:
    behavior = ""
    for kind, label in _BEHAVIOR.findall(contract):
        if kind == "behavior":
            behavior = f"{label}_"
        else:
            yield f"{function}_{behavior}ensures_{label}"


def _path() -> str:
    """Where programs are looked for, Why3's own folder first: of several z3 it knows the one that
    came with it."""
    why3 = shutil.which("why3")
    folders = [str(Path(why3).parent)] if why3 else []
    return os.pathsep.join([*folders, os.environ.get("PATH", os.defpath)])


def _z3() -> str | None:
    return shutil.which("z3", path=_path())


def _run(words: Sequence[str], folder: str) -> str:
    """What a program prints that keeps its settings in this folder, not in the user's home."""
    settings = {"PATH": _path(), "HOME": ".", "WHY3CONFIG": "why3.conf"}
    return frama_c.printed(words, folder, settings)
