"""Mutants that an optimising compiler makes the same machine code of as of the C itself.

Such a mutant changes nothing on this machine, and no run could tell it. (Trivial compiler
equivalence: M. Papadakis, Y. Jia, M. Harman, Y. Le Traon, ICSE 2015.) What overflows wraps here and
no function is made part of another: so each is alike by itself, and none for the reason that C
leaves it undefined when a signed sum is too great.
"""

from __future__ import annotations

import itertools
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path

from halfcycle.verify import compiler
from mutation import schemata
from mutation.mutants import Mutant

FLAGS = (
    *("-S", "-O2", "-fwrapv", "-fno-inline"),
    *("-fno-ipa-icf", "-fno-ipa-cp", "-fno-ipa-sra", "-fno-ipa-ra", "-fno-ipa-pure-const"),
    *("-fno-partial-inlining", "-fno-asynchronous-unwind-tables", "-fcf-protection=none"),
)
FUNCTION = re.compile(r"^(\w+):\n(.*?)^\t\.size\t\1", re.MULTILINE | re.DOTALL)
LABEL = re.compile(r"\.L\w+")


def same(texts: Mapping[str, str], name: str, numbered: Mapping[int, Mutant]) -> set[int]:
    """Numbers of the mutants of the source ``name`` whose function comes out as it was. Empty if
    the compiler is not gcc."""
    if not numbered or "Free Software Foundation" not in compiler.find().version:
        return set()
    with tempfile.TemporaryDirectory() as folder:
        together = schemata.schema(texts[name], numbered)
        files = {**texts, name: together}
        schemata.compile_in(Path(folder), files, *FLAGS, name, "-o", "code.s").check_returncode()
        assembly = (Path(folder) / "code.s").read_text()
    codes = {match[1]: _normal(match[1], match[2]) for match in FUNCTION.finditer(assembly)}
    found = set()
    for part in schemata.parts(texts[name]):
        plain = codes.get(f"{part.name}_{schemata.PLAIN}")
        if plain is None or part.is_table:
            continue
        own = (number for number, mutant in numbered.items() if part.holds(mutant))
        found |= {number for number in own if codes[f"{part.name}_{number}"] == plain}
    return found


def _normal(name: str, body: str) -> str | None:
    """The code of a function, its own name and labels by their order; None if it refers to labels
    beyond itself, which would hide what stands there."""
    lines = [line.split("#")[0].rstrip() for line in body.splitlines()]
    kept = "\n".join(
        line for line in lines if not line.startswith("\t.") and not line.startswith(".LF")
    )
    own = set(re.findall(r"^(\.L\w+):", kept, re.MULTILINE))
    numbers = itertools.count()
    order: dict[str, str] = {}
    for label in LABEL.findall(kept):
        if label not in own:
            return None
        if label not in order:
            order[label] = f".label{next(numbers)}"
    return LABEL.sub(lambda label: order[label[0]], kept.replace(name, "itself"))
