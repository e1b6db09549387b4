"""The constants of a header against the Plan's: those too that only the firmware uses."""

from __future__ import annotations

import re

from halfcycle.regulator.constants import REVISION, constants
from halfcycle.regulator.plan import Plan

_LINE = re.compile(
    r"^[ \t]*#[ \t]*define[ \t]+(\w+)(?![\w(])[ \t]*(.*?)[ \t]*(?:/\*.*)?$", re.MULTILINE
)
_NUMBER = re.compile(r"(?:U?INT(?:16|32)_C\()?(0[xX][0-9A-Fa-f]+|[0-9]+)[uU]?\)?")


def faults(plan: Plan, header: str) -> list[str]:
    """Constants that are missing, more than once there, or of another value than the Plan's."""
    upper = plan.name.upper()
    defined: dict[str, list[str]] = {}
    for name, body in _LINE.findall(header):
        defined.setdefault(name.removeprefix(f"{upper}_"), []).append(body)
    found = []
    wanted = constants(plan)
    for name, value in wanted.items():
        bodies = defined.get(name, [])
        number = _NUMBER.fullmatch(bodies[0]) if len(bodies) == 1 else None
        if not bodies:
            found.append(f"{upper}_{name} is missing")
        elif len(bodies) > 1:
            found.append(f"{upper}_{name} is defined {len(bodies)} times")
        elif number is None:
            found.append(f"{upper}_{name} is {bodies[0]}, which is not a number")
        elif int(number[1], 16 if number[1][:2] in ("0x", "0X") else 10) != value:
            found.append(f"{upper}_{name} is {bodies[0]}, not {value}")
    known = {*wanted, REVISION}
    found += [
        f"{upper}_{name} is not known"
        for name, bodies in defined.items()
        if name not in known and any(bodies)
    ]
    return found
