"""Small faults in the generated C, one at a time: what a careless edit could do to it."""

from __future__ import annotations

import functools
import itertools
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
_RELATIONS = ("<", "<=", ">", ">=", "==", "!=")
OPERATORS = {
    "+": ("-", "*", "|"),
    "-": ("+",),
    "*": ("+", "-"),
    "&": ("|", "^", "+"),
    "|": ("&", "^"),
    "<<": (">>",),
    ">>": ("<<",),
    **{sign: tuple(other for other in _RELATIONS if other != sign) for sign in _RELATIONS},
    "&&": ("||",),
    "||": ("&&",),
    "+=": ("-=", "="),
    "-=": ("+=", "="),
    "|=": ("&=", "=", "^="),
    ">>=": ("<<=", "="),
    "++": ("--",),
}
TABLE_ROW = re.compile(r"^(?:\d+u, ?){3}")
FUNCTION = re.compile(r"^(?:static )?\w+ \w+\(([^)]*)\)\n\{\n(.*?)^\}", re.MULTILINE | re.DOTALL)
LOCAL = re.compile(r"\b(?:u?int(?:_least)?\d+_t|int) (\w+)(?= = |;|,|$)")
FLAG = re.compile(r"\b[A-Z]\w*_FLAG_[A-Z_]+\b")
FIELD = re.compile(r"s->(\w+)(\[?)")
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


@functools.lru_cache(maxsize=4)
def mutants(text: str) -> tuple[Mutant, ...]:
    """Every mutant of one C source, in the order of the text; directives and comments are left."""
    code = re.sub(r"/\*.*?\*/", lambda comment: re.sub(r"[^\n]", " ", comment[0]), text, flags=re.S)
    unordered = {
        *_token_mutants(code),
        *_name_mutants(code),
        *_field_mutants(code),
        *_flag_mutants(code),
        *_statement_mutants(code),
        *_order_mutants(code),
        *_branch_mutants(code),
    }
    return tuple(sorted(unordered))


def _token_mutants(text: str) -> Iterator[Mutant]:
    for token in TOKEN.finditer(text):
        start, old = token.start(), token.group()
        if token["number"]:
            value = int(old, 0)
            table = TABLE_ROW.match(line_of(text, start)[1])
            if table:
                for other in {value + 1, max(value - 1, 0)} - {value}:
                    yield Mutant(start, old, str(other), "constant")
                continue
            others = {value + 1, max(value - 1, 0), 0, 2 * value, value // 2, value ^ 2}
            for other in others - {value}:
                new = f"0x{other:X}" if old.startswith("0x") else str(other)
                yield Mutant(start, old, new, "constant")
        elif token["operator"]:
            # A pointer's star and a parameter's have a letter or "s" behind them.
            if old == "*" and text[start + 1 : start + 2] != " ":
                continue
            for new in OPERATORS.get(old, ()):
                yield Mutant(start, old, new, "operator")


def _name_mutants(text: str) -> Iterator[Mutant]:
    """Every use of a local or parameter exchanged for every other one of its function."""
    for function in FUNCTION.finditer(text):
        head, body = function[1], function[2]
        names = sorted({*LOCAL.findall(head), *LOCAL.findall(body)})
        declared = {declaration.start(1) for declaration in LOCAL.finditer(body)}
        for token in TOKEN.finditer(body):
            start = token.start()
            if token[0] not in names or start in declared or body[start - 2 : start] == "->":
                continue
            for other in names:
                if other != token[0]:
                    yield Mutant(function.start(2) + start, token[0], other, "name")


def _field_mutants(text: str) -> Iterator[Mutant]:
    """Every field of the state exchanged for every other one of its kind, array or not."""
    uses = list(FIELD.finditer(text))
    for use in uses:
        for other in sorted({one[1] for one in uses if one[2] == use[2]} - {use[1]}):
            yield Mutant(use.start(1), use[1], other, "field")


def _flag_mutants(text: str) -> Iterator[Mutant]:
    """Every use of a flag exchanged for every other flag of the file."""
    uses = list(FLAG.finditer(text))
    for use in uses:
        for other in sorted({one[0] for one in uses} - {use[0]}):
            yield Mutant(use.start(), use[0], other, "flag")


def _order_mutants(text: str) -> Iterator[Mutant]:
    """Two statements that follow each other, exchanged."""
    lines = text.split("\n")
    start = 0
    for first, second in itertools.pairwise(lines):
        both = f"{first}\n{second}"
        if all(STATEMENT.fullmatch(line) and "{" not in line for line in (first, second)):
            indents = {len(line) - len(line.lstrip()) for line in (first, second)}
            if len(indents) == 1 and first != second and "return" not in both:
                yield Mutant(start, both, f"{second}\n{first}", "order")
        start += len(first) + 1


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
        if type(value) is bool or field.name in ("samples", "table_bits", "update_blocks"):
            continue  # Another variant or length of the C: it would not compile, or be the same.
        if isinstance(value, int):
            for other in (value + 1, value - 1):
                if other >= 0:
                    yield f"{field.name} {value} -> {other}", replace(plan, **{field.name: other})
        elif field.name == "block_weights" and plan.blockwise:
            for at, weight in enumerate(value):
                for other in (weight + 1, weight - 1):
                    if other >= 1:
                        weights = (*value[:at], other, *value[at + 1 :])
                        changed = replace(plan, block_weights=weights)
                        yield f"block_weights[{at}] {weight} -> {other}", changed
        elif field.name in ("table", "duty_table"):
            for at in range(0, len(value), 7):
                table = (*value[:at], value[at] + 1, *value[at + 1 :])
                changed = replace(plan, **{field.name: table})
                yield f"{field.name}[{at}] {value[at]} -> {value[at] + 1}", changed
