"""The page of findings, read from the code: every remark that a command can make on a good spec."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import halfcycle
from halfcycle.base.findings import KINDS
from halfcycle.base.text import with_signs

ROOT = Path(halfcycle.__file__).parent
OPEN = "…"

HEAD = """# Findings

<!-- Made from the code by: python tests/accept.py docs -->

A finding is a remark on a spec that is valid in itself. Each has a code that stays the same from
version to version, names a spec key or a topic, and ends in what to do. They go to the error stream
as `LEVEL: KEY: TEXT [CODE]`, and into the JSON as `findings`.

| level | says |
| --- | --- |
| error | a limit is broken: exit code 1, and `generate` writes nothing |
| warning | it works, with a cost that should be known |
| note | worth knowing; nothing has to be done |

Below are all of them, grouped by the part of the tool that makes them: code, levels and key, cause,
remedy, and the text as it stands in the code, with … for a figure or a name and alternatives in
braces. The examples are from runs of the tests.
"""


def page() -> str:
    """All findings, by the module that makes them."""
    from documentation.finding_examples import NONE, examples, says  # noqa: PLC0415 (reads this)

    text, left, none = HEAD, examples(), dict(NONE)
    for title, rows in _by_module():
        text += f"\n## {title}\n"
        for code, key, words in rows:
            text += _entry(code, key, words)
            line = left.get(code, "")
            if says(line, words):
                text += f"\nFor example:\n\n```text\n{left.pop(code)} [{code}]\n```\n"
            elif code in none:
                text += f"\nNo example: {none.pop(code)}.\n"
    return with_signs(text)


def codes_in_code() -> set[str]:
    """The codes that the package makes findings of."""
    return {code for code, _, _ in rows()}


@cache
def rows() -> tuple[tuple[str, str, str], ...]:
    """Code, key and text of every finding, as far as the code says them."""
    return tuple(row for _, of_module in _by_module() for row in of_module)


def _by_module() -> Iterator[tuple[str, list[tuple[str, str, str]]]]:
    for path in sorted(ROOT.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        of_module = sorted(set(_findings(tree)))
        if of_module:
            yield _title(tree), of_module


def _entry(code: str, key: str, words: str) -> str:
    kind = KINDS[code]
    levels = " or ".join(kind.levels)
    return (
        f"\n**`{code}`** ({levels}; `{key}`)\n\n- Cause: {kind.cause}\n- Remedy: {kind.remedy}\n"
        f"\n> {words}\n"
    )


def _title(tree: ast.Module) -> str:
    first = (ast.get_docstring(tree) or "").split("\n")[0]
    return re.split(r"[:,.](?:\s|$)", first)[0]


def _findings(tree: ast.Module) -> Iterator[tuple[str, str, str]]:
    for scope in ast.walk(tree):
        if not isinstance(scope, ast.FunctionDef | ast.Module):
            continue
        for node in _own(scope):
            if (
                isinstance(node, ast.Call)
                and ast.unparse(node.func) == "finding"
                and len(node.args) >= 3
            ):
                code, key, text = (_render(part, scope, 0) for part in node.args[:3])
                yield code, key, re.sub(f"{OPEN}+", OPEN, text)


def _own(scope: ast.FunctionDef | ast.Module) -> Iterator[ast.AST]:
    """The nodes of a scope, those of the functions in it left out."""
    waiting: list[ast.AST] = list(scope.body)
    while waiting:
        node = waiting.pop()
        yield node
        if not isinstance(node, ast.FunctionDef | ast.ClassDef):
            waiting.extend(ast.iter_child_nodes(node))


def _render(node: ast.expr, scope: ast.FunctionDef | ast.Module, depth: int) -> str:  # noqa: PLR0911 (one per kind)
    """The text that an expression gives, as far as the code says it."""
    if isinstance(node, ast.Constant):
        return str(node.value) if isinstance(node.value, str) else OPEN
    if isinstance(node, ast.JoinedStr):
        return "".join(_render(part, scope, depth) for part in node.values)
    if isinstance(node, ast.FormattedValue):
        return _render(node.value, scope, depth) if node.format_spec is None else OPEN
    if isinstance(node, ast.IfExp):
        return _one_of([_render(part, scope, depth) for part in (node.body, node.orelse)])
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _render(node.left, scope, depth) + _render(node.right, scope, depth)
    if isinstance(node, ast.Name) and depth < 4:
        added = any(
            isinstance(inner, ast.AugAssign) and ast.unparse(inner.target) == node.id
            for inner in _own(scope)
        )
        values = [_render(value, scope, depth + 1) for value in _values(node, scope)]
        return _one_of(values) + (OPEN if added else "")
    return OPEN


def _values(name: ast.Name, scope: ast.FunctionDef | ast.Module) -> list[ast.expr]:
    """What is assigned to a name before it is used: the last of the block that it is used in, or
    all there are, as either branch of an if may have been taken."""
    before = [
        inner
        for inner in _own(scope)
        if isinstance(inner, ast.Assign)
        and inner.lineno < name.lineno
        and any(isinstance(goal, ast.Name) and goal.id == name.id for goal in inner.targets)
    ]
    for block in _blocks(scope):
        if block[0].lineno <= name.lineno <= (block[-1].end_lineno or 0):
            inside = [inner for inner in before if inner in block]
            if inside:
                last = max(inside, key=lambda inner: inner.lineno)
                # An if between it and the use may have been taken or not.
                ended = [
                    each for each in block if last.lineno < (each.end_lineno or 0) < name.lineno
                ]
                nested = {inner for each in ended for inner in ast.walk(each)}
                later = [inner for inner in before if inner in nested and inner is not last]
                return [last.value, *(inner.value for inner in later)]
    return [inner.value for inner in sorted(before, key=lambda inner: inner.lineno)]


def _blocks(scope: ast.FunctionDef | ast.Module) -> list[list[ast.stmt]]:
    """The lists of statements in a scope, innermost first."""
    found = [scope.body]
    for node in _own(scope):
        for field in ("body", "orelse", "finalbody"):
            block = getattr(node, field, None)
            if isinstance(block, list) and block and isinstance(block[0], ast.stmt):
                found.append(block)
    return sorted(found, key=lambda block: (block[-1].end_lineno or 0) - block[0].lineno)


def _one_of(texts: list[str]) -> str:
    """Alternatives in braces; one that is open, or that none says, is open."""
    apart = (text[1:-1].split(" / ") if _is_choice(text) else [text] for text in texts)
    kept = list(dict.fromkeys(text for some in apart for text in some))
    if len(kept) == 1:
        return kept[0]
    if not kept or OPEN in kept:
        return OPEN
    return "{" + " / ".join(text.strip() for text in kept) + "}"


def _is_choice(text: str) -> bool:
    return text.startswith("{") and text.find("}") == len(text) - 1
