"""Reads the project's Markdown: headings, links, marked blocks."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from support.paths import ROOT

DOCS = ROOT / "docs"

_FENCE = re.compile(r"^ {0,3}(`{3,}|~{3,})")
_HEADING = re.compile(r"^(#{1,6}) +(.*?)(?: +#+)? *$")
_LINK = re.compile(r"!?\[(?:[^\]\[]|\[[^\]]*\])*\]\(\s*<?([^)\s>]+)>?(?:\s+\"[^\"]*\")?\s*\)")
_HTML = re.compile(r"<(?:img|source|a)\b[^>]*?\b(?:src|srcset|href)=\"([^\"]+)\"")


def pages() -> list[Path]:
    """Every Markdown page of the project."""
    return sorted([*ROOT.glob("*.md"), *DOCS.rglob("*.md")])


def prose(text: str) -> Iterator[tuple[int, str]]:
    """(number, line) of the lines outside code blocks."""
    fence = ""
    for number, line in enumerate(text.splitlines(), start=1):
        mark = _FENCE.match(line)
        if fence:
            if mark and mark[1].startswith(fence) and line.strip() == mark[1]:
                fence = ""
        elif mark:
            fence = mark[1]
        else:
            yield number, line


def anchors(text: str) -> set[str]:
    """The anchors of a page's headings, as code hosts make them: lower case, spaces to hyphens,
    other punctuation dropped, a number after the second and later of a kind (GitHub, from
    memory)."""
    found: dict[str, int] = {}
    made = set()
    for _, line in prose(text):
        heading = _HEADING.match(line)
        if not heading:
            continue
        plain = re.sub(r"[`*]|\[([^\]]*)\]\([^)]*\)", r"\1", heading[2])
        slug = re.sub(r"[^\w\- ]", "", plain.lower()).replace(" ", "-")
        count = found.get(slug, 0)
        found[slug] = count + 1
        made.add(f"{slug}-{count}" if count else slug)
    return made


def links(text: str) -> Iterator[tuple[int, str]]:
    """(line, target) of every link and picture outside code."""
    for number, line in prose(text):
        bare = re.sub(r"`[^`]*`", "code", line)
        for pattern in (_LINK, _HTML):
            for match in pattern.finditer(bare):
                yield number, match[1]


@dataclass(frozen=True, slots=True)
class Block:
    """A code block with the comment before it: ``<!-- KIND: WORDS -->``.

    ``first``, ``last``: the lines of its content, numbers from 0, ``last`` excluded.
    """

    kind: str
    words: tuple[str, ...]
    language: str
    first: int
    last: int
    text: str

    def option(self, name: str) -> str | None:
        """The word after ``name``, if it is there."""
        return dict(zip(self.words, self.words[1:], strict=False)).get(name)


_MARK = re.compile(r"^<!-- (session|write|set): (.+) -->$")


def blocks(text: str) -> list[Block]:
    """The marked code blocks of a page, in order.

    ``session: FOLDER [exit N] [full] [loose]`` a console, run in that folder; ``write: FOLDER
    FILE`` a file's whole text; ``set: FOLDER FILE`` lines ``key = value`` to put into a spec.
    """
    lines = text.splitlines()
    found = []
    for at, line in enumerate(lines):
        mark = _MARK.match(line)
        if not mark:
            continue
        fence = _FENCE.match(lines[at + 1]) if at + 1 < len(lines) else None
        assert fence, f"line {at + 1}: a marked block must follow its mark at once"
        first = at + 2
        last = next(i for i in range(first, len(lines)) if lines[i].strip() == fence[1])
        language = lines[at + 1].strip().removeprefix(fence[1])
        content = "\n".join(lines[first:last]) + "\n"
        found.append(Block(mark[1], tuple(mark[2].split()), language, first, last, content))
    return found


_MADE = re.compile(r"(<!-- made: (\S+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)


def made_parts(text: str) -> Iterator[tuple[str, str]]:
    """(name, content) of every part that a program writes."""
    for match in _MADE.finditer(text):
        yield match[2], match[3]


def replace_made(text: str, parts: dict[str, str]) -> str:
    """The page with these made parts put in."""
    return _MADE.sub(lambda m: m[1] + parts.get(m[2], m[3]) + m[4], text)
