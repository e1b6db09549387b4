"""Data flows one way: who may import whom, who prints, who exits, and what a command may load."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import halfcycle
from support.paths import example

ROOT = Path(halfcycle.__file__).parent

ROOMS = (
    "base",
    "spec",
    "windows",
    "loop",
    "design",
    "regulator",
    "quantise",
    "generate",
    "verify",
    "prove",
    "check",
    "simulate",
    "cosimulate",
    "bench",
    "retune",
    "targets",
    "report",
    "output",
    "cli",
)
"""The packages, from the spec to people. A module imports from its own room and those before it;
the rooms that the Plan divides see no more than ``SEES`` says."""

SEES = {
    "regulator": {"regulator"},
}
"""Rooms that may see less than all before them."""

PRINTERS = ("cli", "__main__")
"""What may print and exit: the command line."""


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__") or "halfcycle"


FILES = {module_name(path): path for path in sorted(ROOT.rglob("*.py"))}


@cache
def trees() -> dict[str, ast.Module]:
    """Every module, parsed when first asked for: collecting tests needs the names alone."""
    return {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in FILES.items()}


def imports(tree: ast.Module, known: set[str], *, typing: bool = True) -> set[str]:
    """The project's own modules that a module imports, anywhere in it."""
    found: set[str] = set()
    skipped: set[ast.AST] = set()
    for node in ast.walk(tree):
        if not typing and isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            skipped |= set(ast.walk(node))
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("halfcycle"):
            base = (node.module or "").removeprefix("halfcycle").lstrip(".")
            for alias in node.names:
                full = f"{base}.{alias.name}".lstrip(".")
                found.add(full if full in known else base)
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("halfcycle."):
                    found.add(alias.name.removeprefix("halfcycle."))
    return (found & known) - {""}


def test_imports_make_no_circle() -> None:
    graph = {
        name: imports(tree, set(FILES), typing=False) - {name} for name, tree in trees().items()
    }
    assert list(TopologicalSorter(graph).static_order())


def room(name: str) -> str:
    return name.partition(".")[0]


def test_every_module_stands_in_a_room() -> None:
    outside = {name for name in FILES if room(name) not in ROOMS}
    assert outside == {"halfcycle", "__main__"}
    assert {room(name) for name in FILES} - outside == set(ROOMS), (
        "the list names a room that is gone"
    )


def test_imports_run_down_only() -> None:
    for name, tree in trees().items():
        if room(name) not in ROOMS:
            continue
        before = ROOMS[: ROOMS.index(room(name)) + 1]
        seen = SEES.get(room(name), set(before))
        for imported in imports(tree, set(FILES)):
            assert room(imported) in seen, f"{name} imports {imported}"


def test_every_room_says_its_duty_in_one_line() -> None:
    for name in ROOMS:
        duty = ast.get_docstring(trees()[name])
        assert duty and (name == "cli" or "\n" not in duty), name
        assert name == "cli" or len(trees()[name].body) == 1, f"{name}/__init__.py holds code"


def test_the_model_and_the_templates_meet_only_in_the_plan_and_the_state() -> None:
    known = set(FILES)
    shared = {"regulator.arithmetic", "regulator.bus_plan", "regulator.plan", "regulator.state"}
    assert imports(trees()["regulator.model"], known) == shared
    assert "regulator.model" not in imports(trees()["generate.emit"], known)


def test_nothing_but_the_command_line_imports_the_command_line() -> None:
    for name, tree in trees().items():
        if not name.startswith(("cli", "__main__")):
            assert not {
                i for i in imports(tree, set(FILES)) if i == "cli" or i.startswith("cli.")
            }, name


@pytest.mark.parametrize("name", [n for n in FILES if not n.startswith(PRINTERS)])
def test_only_the_command_line_prints_and_exits(name: str) -> None:
    for node in ast.walk(trees()[name]):
        if isinstance(node, ast.Call):
            assert ast.unparse(node.func) not in {"print", "sys.exit", "exit", "click.echo"}


OPTION = re.compile(r"(^|[^-\w])--[a-z]")
FLAGS_OF_TOOLS = (
    "prove.wp",
    "targets.machines",
    "targets.mspdebug",
    "targets.qemu",
    "targets.sdcc",
    "targets.simavr",
    "targets.toolchains",
    "verify.compiler",
)
"""What hands ``--flags`` to compilers, linkers, analysers and emulators."""
SHOWS_COMMANDS = ("base.command_words",)
"""What messages name of the command line."""


@pytest.mark.parametrize("name", [n for n in FILES if not n.startswith(PRINTERS)])
def test_only_the_command_line_knows_options(name: str) -> None:
    """What computes speaks of the domain: "the channel", not ``--channel``."""
    if name in FLAGS_OF_TOOLS or name in SHOWS_COMMANDS:
        return
    for node in ast.walk(trees()[name]):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            assert not OPTION.search(node.value), f"{name}:{node.lineno}: {node.value!r}"


def test_json_is_made_by_the_models_that_describe_it() -> None:
    """No command puts its JSON together by hand: one function prints it, from an output model."""
    users = {
        name
        for name, tree in trees().items()
        if room(name) == "cli"
        for node in ast.walk(tree)
        if isinstance(node, ast.Import) and any(alias.name == "json" for alias in node.names)
    }
    assert users == {"cli.tables"}


@pytest.mark.parametrize(
    ("arguments", "heavy"),
    [
        (["--help"], ("numpy", "scipy", "sympy", "matplotlib", "pydantic", "jinja2", "rich")),
        (["start", "--help"], ("numpy", "scipy", "sympy", "matplotlib")),
        (
            ["windows", "--frequency-hz", "50", "--period-us", "800", "--json"],
            ("scipy", "sympy", "matplotlib", "pydantic", "rich"),
        ),
    ],
)
def test_a_command_loads_only_what_it_uses(arguments: list[str], heavy: tuple[str, ...]) -> None:
    code = (
        "import sys\nfrom halfcycle.cli import main\n"
        f"sys.argv = ['halfcycle', *{arguments!r}]\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        f"print([name for name in {heavy!r} if name in sys.modules], file=sys.stderr)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stderr.strip() == "[]"


def test_design_needs_no_slow_library(tmp_path: Path) -> None:
    """The hot path stays clear of sympy and scipy."""
    code = (
        "import sys\nfrom halfcycle.cli import main\n"
        "sys.argv = ['halfcycle', 'start', 'oak_shed']\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code\n"
        f"sys.argv = ['halfcycle', 'design', {str(example('quay_kiosk'))!r}, '--json']\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code\n"
        "assert not [n for n in ('scipy', 'sympy', 'matplotlib', 'cffi') if n in sys.modules]"
    )
    # Nothing kept: all of the design is made.
    afresh = {**os.environ, "XDG_CACHE_HOME": str(tmp_path)}
    subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        check=True,
        stdout=subprocess.DEVNULL,
        env=afresh,
    )
