"""Builds the documentation as a site: ``sphinx-build -W docs OUT`` (``pip install -e '.[docs]'``).

The pages are plain Markdown that reads well on a code host; whatever a site wants besides is added
here: the tree of contents, from the links of index.md, and mathematics as MathML, without scripts.
Nothing on a page asks another machine for anything.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from docutils import nodes
from latex2mathml.converter import convert
from pygments.lexers.special import TextLexer
from sphinx.application import Sphinx

HERE = Path(__file__).parent

project = "halfcycle"
author = ""
extensions = ["myst_parser"]
myst_enable_extensions = ["dollarmath"]
myst_heading_anchors = 4
html_theme = "furo"
html_title = "halfcycle"
html_theme_options = {"top_of_page_buttons": []}
html_copy_source = False
html_use_index = False
html_show_copyright = False
html_show_sphinx = False
html_math_renderer = "mathml"
highlight_language = "none"
nitpicky = True

GROUPS = {"Read": ("",), "How to": ("how-to", "projects"), "Look up": ("reference",)}
"""Titles of the tree of contents, with the folders whose pages stand below each."""

_LINK = re.compile(r"(?<!!)\[((?:[^\[\]]|\[[^\]]*\])*)\]\(([^)\s]+)\)")
_FENCED = re.compile(r"(^ {0,3}```.*?^ {0,3}```$)", re.MULTILINE | re.DOTALL)


def contents() -> list[str]:
    """The pages that index.md links to, each once, in its order, and what those alone link to."""
    seen: list[str] = []
    waiting = [HERE / "index.md"]
    while waiting:
        page = waiting.pop(0)
        for _, target in _LINK.findall(_FENCED.sub("", page.read_text(encoding="utf-8"))):
            goal = (page.parent / target.partition("#")[0]).resolve()
            if goal.suffix == ".md" and goal.is_relative_to(HERE) and goal != HERE / "index.md":
                name = str(goal.relative_to(HERE).with_suffix(""))
                if name not in seen:
                    seen.append(name)
                    waiting.append(goal)
    return seen


def _words_for_what_is_no_page(page: Path, text: str) -> str:
    """The text with links to files of the repository that the site lacks as their words alone."""

    def link(match: re.Match[str]) -> str:
        words, target = match[1], match[2]
        file = target.partition("#")[0]
        if not file or "://" in target:
            return match[0]
        goal = (page.parent / file).resolve()
        return match[0] if goal.suffix == ".md" and goal.is_relative_to(HERE) else words

    parts = _FENCED.split(text)
    return "".join(part if at % 2 else _LINK.sub(link, part) for at, part in enumerate(parts))


def _read(app: Sphinx, name: str, source: list[str]) -> None:
    source[0] = _words_for_what_is_no_page(HERE / f"{name}.md", source[0])
    if name == "index":
        for title, folders in GROUPS.items():
            tree = "\n".join(page for page in contents() if page.rpartition("/")[0] in folders)
            source[0] += f"\n```{{toctree}}\n:hidden:\n:caption: {title}\n\n{tree}\n```\n"


def _inline(self: Any, node: nodes.math) -> None:
    self.body.append(convert(node.astext()))
    raise nodes.SkipNode


def _block(self: Any, node: nodes.math_block) -> None:
    mathml = convert(node.astext(), display="block")
    self.body.append(f'<div class="formula">{mathml}</div>\n')
    raise nodes.SkipNode


def setup(app: Sphinx) -> dict[str, bool]:
    """Sphinx calls this."""
    app.connect("source-read", _read)
    app.add_lexer("csv", TextLexer)
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
