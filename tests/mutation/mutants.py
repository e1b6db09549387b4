"""Small faults in the generated C, one at a time: what a careless edit could do to it."""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

from halfcycle.regulator.plan import Plan

TOKEN = re.compile(
    r"(?P<directive>^[ \t]*#.*?$)"
    r"|(?P<number>\b(?:0x[0-9A-Fa-f]+|\d+)(?=[uUlL]*\b))"
    r"|(?P<word>[A-Za-z_]\w*)|(?P<operator>->|<<=|>>=|\+\+|[-+*/&|^<>=!]=|&&|\|\||<<|>>|[-+*&|<>!~])"
    r"|(?P<other>.)",
    re.DOTALL | re.MULTILINE,
)
OPERATORS = {
    "+": ("-",),
    "-": ("+",),
    "*": ("+",),
    "&": ("|",),
    "<<": (">>",),
    ">>": ("<<",),
    "<": ("<=", ">"),
    "<=": ("<", ">"),
    ">": (">=", "<"),
    ">=": (">", "<"),
    "==": ("!=",),
    "!=": ("==",),
    "&&": ("||",),
    "||": ("&&",),
    "+=": ("-=",),
    "-=": ("+=",),
    "|=": ("&=", "="),
    ">>=": ("<<=",),
    "++": ("--",),
}
TABLE_ROW = re.compile(r"^(?:\d+u, ?){3}")
TWINS = {"now": "spare", "spare": "now", "after": "drive", "step": "push", "high": "sum"}
"""Names of one type that a slip could exchange."""
STATEMENT = re.compile(r"^[ \t]+(?:s->|\w+(?:\[.*?\])? [-+|&<>]*= |\w+ \w+ = )?.*;$", re.MULTILINE)
BRANCH = re.compile(r"\b(?:if|while) \((.*)\) \{$", re.MULTILINE)
CHOICE = re.compile(r"(\([^()]*(?:\([^()]*\)[^()]*)*\)) \? ")


@dataclass(frozen=True, slots=True, order=True)
class Mutant:
    """One change of text: ``old`` at ``start`` becomes ``new``."""

    start: int
    old: str
    new: str
    kind: str

    def apply(self, text: str) -> str:
        assert text.startswith(self.old, self.start)
        return text[: self.start] + self.new + text[self.start + len(self.old) :]


def line_of(text: str, start: int) -> tuple[int, str]:
    """Number and text of the line at ``start``."""
    begin = text.rfind("\n", 0, start) + 1
    end = text.find("\n", start)
    return text.count("\n", 0, start) + 1, text[begin:end].strip()


def key(name: str, text: str, mutant: Mutant) -> tuple[str, str]:
    """(line, change), the same in every regulator: NAME for its name and N for its numbers.

    The change is the kind, which one of that kind in the line (from 1), and what it becomes.
    """
    line = line_of(text, mutant.start)[1]
    shown = re.sub(r"\b\d+(?=[uUlL]*\b)", "N", line.replace(name.upper(), "NAME"))
    shown = shown.replace(name, "NAME")
    if mutant.kind == "statement":
        return shown, "gone"
    begin = text.rfind("\n", 0, mutant.start) + 1
    same = [m for m in mutants_of_line(text, begin) if m.kind == mutant.kind]
    number = sorted({m.start for m in same}).index(mutant.start) + 1
    if mutant.kind == "branch":
        return shown, f"branch {number} negated"
    new = mutant.new
    if mutant.kind == "constant":
        step = int(mutant.new, 0) - int(mutant.old, 0)
        new = f"{step:+d}" if abs(step) == 1 else "0"
    return shown, f"{mutant.kind} {number} to {new}"


def mutants_of_line(text: str, begin: int) -> list[Mutant]:
    """The mutants of the line that begins at ``begin``."""
    end = text.find("\n", begin)
    return [mutant for mutant in mutants(text) if begin <= mutant.start < end]


@functools.lru_cache(maxsize=4)
def mutants(text: str) -> tuple[Mutant, ...]:
    """Every mutant of one C source, in the order of the text; directives and comments are left."""
    code = re.sub(r"/\*.*?\*/", lambda comment: re.sub(r"[^\n]", " ", comment[0]), text, flags=re.S)
    unordered = {*_token_mutants(code), *_statement_mutants(code), *_branch_mutants(code)}
    return tuple(sorted(unordered))


def _token_mutants(text: str) -> Iterator[Mutant]:
    for token in TOKEN.finditer(text):
        start, old = token.start(), token.group()
        if token["number"]:
            value = int(old, 0)
            table = TABLE_ROW.match(line_of(text, start)[1])
            if table:
                if value % 5 == 0:  # The sine table: a fifth of its points, one slip each.
                    yield Mutant(start, old, str(value + 1), "constant")
                continue
            for other in {value + 1, max(value - 1, 0), 0} - {value}:
                new = f"0x{other:X}" if old.startswith("0x") else str(other)
                yield Mutant(start, old, new, "constant")
        elif token["operator"]:
            # A pointer's star and a parameter's have a letter or "s" behind them.
            if old == "*" and text[start + 1 : start + 2] != " ":
                continue
            for new in OPERATORS.get(old, ()):
                yield Mutant(start, old, new, "operator")
        elif token["word"] and old in TWINS and text[start - 2 : start] != "->":
            yield Mutant(start, old, TWINS[old], "name")


def _statement_mutants(text: str) -> Iterator[Mutant]:
    for statement in STATEMENT.finditer(text):
        old = statement.group()
        body = old.strip()
        # Declarations and returns cannot go; what remains is an assignment or a call.
        if re.match(r"(?:const|return|static|u?int\w*|void)\b", body) or "{" in body:
            continue
        indent = old[: len(old) - len(old.lstrip())]
        yield Mutant(statement.start() + len(indent), body, ";", "statement")


def _branch_mutants(text: str) -> Iterator[Mutant]:
    for branch in BRANCH.finditer(text):
        yield Mutant(branch.start(1), branch[1], f"!({branch[1]})", "branch")
    for choice in CHOICE.finditer(text):
        yield Mutant(choice.start(1), choice[1], f"!{choice[1]}", "branch")


def plan_mutants(plan: Plan) -> Iterator[tuple[str, Plan]]:
    """The Plan with one constant off by one, named by its field."""
    for field in fields(plan):
        value = getattr(plan, field.name)
        if type(value) is bool or field.name in ("samples", "table_bits"):
            continue  # Another variant or length of the C: it would not compile, or be the same.
        if isinstance(value, int):
            for other in (value + 1, value - 1):
                if other >= 0:
                    yield f"{field.name} {value} -> {other}", replace(plan, **{field.name: other})
        elif field.name == "table":
            for at in range(0, len(value), 7):
                table = (*value[:at], value[at] + 1, *value[at + 1 :])
                yield f"table[{at}] {value[at]} -> {value[at] + 1}", replace(plan, table=table)
