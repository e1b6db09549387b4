"""What messages say to install can be had: packages by name, each one that an extra names.

The package itself stands on no index, so that ``pip install 'NAME[EXTRA]'`` fails for whoever works
from a checkout.
"""

from __future__ import annotations

import ast
import re
import tomllib

import halfcycle
from support.paths import ROOT

PACKAGE = ROOT / "gen" / halfcycle.__name__
HINT = re.compile(r"pip install ((?:[\w.\[\]'-]+ ?)+)")


def hints() -> list[tuple[str, list[str]]]:
    """The packages of every hint, with the module that gives it."""
    return [
        (path.name, match[1].replace("'", "").split())
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        for match in HINT.finditer(node.value)
    ]


def test_messages_name_packages_that_an_extra_names() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    known = {
        name
        for requirements in project["optional-dependencies"].values()
        for requirement in requirements
        for name in re.findall(r"[\w.-]+", re.split(r"[<>=]", requirement)[0])
    }
    assert len(hints()) >= 7
    for module, packages in hints():
        assert set(packages) <= known, f"{module}: {packages}"
