"""Examples of findings: what a run said, one for a kind, kept in finding_examples.toml.

``python tests/documentation/finding_examples.py RECORD`` adds what is missing, from a record that
``finding_record`` has made, and drops what the code cannot say any more.
"""

from __future__ import annotations

import json
import re
import sys
import tomllib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from documentation import findings_page

FILE = Path(__file__).parent / "finding_examples.toml"
NONE = {
    "bus-lost-margin": "in the specs that were tried either the margin was enough, or the targets "
    "were refused first",
    "coefficient-rounding": "the formats follow the constants: 2e-5 per second in 16-bit words is "
    "held to far better than that",
    "integral-vanishes": "the integrator's format follows the constant: 1e-9 per second does not "
    "vanish yet",
    "range-below-rated": "a spec whose sensor does not reach the rated peak is refused before",
    "report-change": "another cause was greater on all boards that were run, even with a sensor "
    "2.5 ms late",
}
"""Why the page shows no run for a kind."""
LONGEST = 700
"""Characters; a longer text is no example to read."""


def examples() -> dict[str, str]:
    """Code and line of each example, as the error stream has it without the code."""
    return tomllib.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}


@cache
def pattern(words: str) -> re.Pattern[str]:
    """What a text may be that the page of findings shows as ``words``."""
    made, at = "", 0
    for match in re.finditer(r"\{([^{}]*(?: / [^{}]*)+)\}", words):
        options = "|".join(_open(option) for option in match[1].split(" / "))
        # A choice may stand after a blank of its own, which the page leaves out.
        made += _open(words[at : match.start()]) + f"\\s?(?:{options})\\s?"
        at = match.end()
    return re.compile(made + _open(words[at:]), re.DOTALL)


def _open(words: str) -> str:
    return ".*".join(re.escape(part) for part in words.split(findings_page.OPEN))


def says(line: str, words: str) -> bool:
    """Whether a line is one of those that the page of findings shows as ``words``."""
    start = r"(?:error|warning|note): .*?: "
    return re.fullmatch(start + pattern(words).pattern, line, re.DOTALL) is not None


def can_say(line: str, code: str) -> bool:
    """Whether some place in the code can make that line of a finding of that kind."""
    return any(says(line, words) for own, _, words in findings_page.rows() if own == code)


def add(record: Iterable[str]) -> None:
    """Keep the shortest line of each kind that has none yet."""
    kept = {code: line for code, line in examples().items() if can_say(line, code)}
    said: dict[str, set[str]] = {}
    for row in record:
        code, level, key, text = json.loads(row)[:4]
        if len(text) <= LONGEST and "/tmp" not in text:
            said.setdefault(code, set()).add(f"{level}: {key}: {text}")
    for code, lines in said.items():
        good = [line for line in lines if can_say(line, code)]
        if code not in kept and good:
            kept[code] = min(good, key=lambda line: (len(line), line))
    text = "# What runs of the tests said: a line for a kind of finding. See finding_examples.py.\n"
    text += "".join(
        f"{code} = {json.dumps(line, ensure_ascii=False)}\n" for code, line in sorted(kept.items())
    )
    FILE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    add(Path(sys.argv[1]).read_text(encoding="utf-8").splitlines())
