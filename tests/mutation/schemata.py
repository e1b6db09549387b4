"""Many mutants in one translation unit, of which a switch picks one at run time.

Every function, or table, that has mutants is there once as it is and once for each of them; what
the others call goes through a pointer, which the switch sets. (Mutant schemata: R. H. Untch, A. J.
Offutt, M. J. Harrold, "Mutation analysis using mutant schemata", ISSTA 1993; here of whole
functions, so that any change of text will do.)
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from halfcycle.verify import compiler
from mutation.mutants import Mutant

FUNCTION = re.compile(
    r"^(?P<static>static )?(?P<type>\w+) (?P<name>\w+)\((?P<head>[^)]*)\)\n\{\n.*?^\}\n",
    re.MULTILINE | re.DOTALL,
)
TABLE = re.compile(
    r"^static (?P<type>const [A-Z_]+ \w+) (?P<name>\w+)\[\d+\] = \{.*?^\};\n",
    re.MULTILINE | re.DOTALL,
)
SELECT = "mutant_select"
"""The function that picks a mutant by its number; any other number picks none."""
PLAIN = "plain"
"""How what stands as it is ends; a mutant's ends in its number."""
ERROR = re.compile(r"^mutant(\d+):\d+:\d+: error: ", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Part:
    """A function or a table of the C."""

    name: str
    start: int
    text: str
    found: re.Match[str]

    @property
    def is_table(self) -> bool:
        return self.found.re is TABLE

    def holds(self, mutant: Mutant) -> bool:
        """Whether the change is in it."""
        end = mutant.start + len(mutant.old)
        return self.start <= mutant.start and end <= self.start + len(self.text)

    def changed(self, mutant: Mutant | None, ending: str) -> str:
        """Its definition with the change, under a name that ends so."""
        text = self.text
        at = self.found.start("name") - self.start
        if mutant is not None:
            start = mutant.start - self.start
            assert text.startswith(mutant.old, start)
            assert start > at, "the change is beyond the name"
            text = text[:start] + mutant.new + text[start + len(mutant.old) :]
            # Else what the compiler says of one mutant could be another's fault.
            assert text.count("{") == self.text.count("{")
        end = at + len(self.name)
        static = "" if text.startswith("static ") else "static "
        return f"{static}{text[:at]}{self.name}_{ending}{text[end:]}"

    def pointer(self) -> str:
        """What all others use in its place."""
        first = f"{self.name}_{PLAIN}"
        if self.is_table:
            return f"static {self.found['type']} *{self.name} = {first};\n"
        head, kind = self.found["head"], self.found["type"]
        passed = ", ".join(re.findall(r"(\w+)(?:,|$)", head))
        now = f"static {kind} (*{self.name}_now)({head}) = {first};\n"
        static = self.found["static"] or ""
        returned = "" if kind == "void" else "return "
        body = f"{{\n    {returned}{self.name}_now({passed});\n}}\n"
        return f"{now}{static}{kind} {self.name}({head})\n{body}"

    def chosen(self, ending: str) -> str:
        """The statement that has the others use the definition of that ending."""
        now = self.name if self.is_table else f"{self.name}_now"
        return f"{now} = {self.name}_{ending};"


def parts(text: str) -> list[Part]:
    """Every function and table of the C, in order."""
    found = [*FUNCTION.finditer(text), *TABLE.finditer(text)]
    found.sort(key=lambda match: match.start())
    return [Part(match["name"], match.start(), match[0], match) for match in found]


def schema(text: str, numbered: Mapping[int, Mutant]) -> str:
    """The C with all of these mutants in it, none of them picked."""
    pieces, chosen = [], []
    done = line = 0
    left = dict(numbered)
    for part in parts(text):
        pieces.append(text[done : part.start])
        own = {number: mutant for number, mutant in left.items() if part.holds(mutant)}
        if not own:
            pieces.append(part.text)
        else:
            pieces.append(part.changed(None, PLAIN))
            for number, mutant in own.items():
                del left[number]
                pieces.append(f'#line 1 "mutant{number}"\n{part.changed(mutant, str(number))}')
                chosen.append(f"    case {number}: {part.chosen(str(number))} break;\n")
            line += 1
            pieces.append(f'#line 1 "part{line}"\n{part.pointer()}')
        done = part.start + len(part.text)
    assert not left, f"neither in a function nor in a table: {left}"
    pieces.append(text[done:])
    switch = f"    switch (number) {{\n{''.join(chosen)}    default: break;\n    }}\n"
    pieces.append(f"void {SELECT}(int number);\nvoid {SELECT}(int number)\n{{\n{switch}}}\n")
    return "".join(pieces)


def refused(texts: Mapping[str, str], name: str, numbered: Mapping[int, Mutant]) -> set[int]:
    """Numbers of the mutants that the compiler refuses; ``name``: the source's file."""
    left = dict(numbered)
    while True:
        messages = _messages({**texts, name: schema(texts[name], left)}, name)
        wrong = {int(number) for number in ERROR.findall(messages)}
        if not wrong:
            assert " error: " not in messages, messages
            return set(numbered) - set(left)
        left = {number: mutant for number, mutant in left.items() if number not in wrong}


def _messages(texts: Mapping[str, str], name: str) -> str:
    with tempfile.TemporaryDirectory() as folder:
        # What the standard forbids, such as a table with too many numbers, is an error.
        strict = ("-fsyntax-only", "-pedantic-errors")
        return compile_in(Path(folder), texts, *strict, name).stderr


def compile_in(
    folder: Path, texts: Mapping[str, str], *arguments: str
) -> subprocess.CompletedProcess[str]:
    """How the compiler ends in a folder with these files; it warns of nothing."""
    compiler.write_sources(folder, texts)
    command = [*compiler.find().command, "-std=c99", "-w", *arguments]
    environment = compiler.environment()
    return subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def chunks(mutants: Sequence[Mutant], size: int) -> Iterator[dict[int, Mutant]]:
    """The mutants numbered from 0, ``size`` of them at a time."""
    for start in range(0, len(mutants), size):
        yield dict(enumerate(mutants[start : start + size], start))
