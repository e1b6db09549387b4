"""The documentation: links lead somewhere, consoles show what comes, options exist, figures come
from a console or a computed table."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import unquote

import click
import pytest

from documentation import generated, sessions
from documentation.consoles import ACCEPT
from documentation.pages import DOCS, ROOT, anchors, blocks, links, made_parts, pages, prose
from halfcycle.cli import COMMANDS, cli

OUTWARD = ("http://", "https://", "mailto:")


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("page", pages(), ids=name)
def test_every_link_leads_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    broken = []
    for line, target in links(text):
        if target.startswith(OUTWARD):
            continue  # No test depends on somebody else's machine.
        file, _, anchor = unquote(target).partition("#")
        goal = (page.parent / file).resolve() if file else page
        if not goal.exists():
            broken.append(f"{name(page)}:{line}: there is no {target}")
        elif not goal.is_relative_to(ROOT):
            broken.append(f"{name(page)}:{line}: {target} leads out of the project")
        elif anchor and anchor not in anchors(goal.read_text(encoding="utf-8")):
            broken.append(f"{name(page)}:{line}: {file or page.name} has no #{anchor}")
    assert not broken, "\n".join(broken)


def test_the_link_check_finds_broken_ones() -> None:
    text = "# A `b` c\n## A b c\n[x](#a-b-c-1) ![y](no.png) `[z](code)`\n```\n[w](in code)\n```\n"
    assert anchors(text) == {"a-b-c", "a-b-c-1"}
    assert list(links(text)) == [(3, "#a-b-c-1"), (3, "no.png")]


def test_every_page_can_be_reached() -> None:
    """From the README, by links."""
    seen, waiting = set(), [ROOT / "README.md"]
    while waiting:
        page = waiting.pop()
        seen.add(page)
        for _, target in links(page.read_text(encoding="utf-8")):
            goal = (page.parent / target.partition("#")[0]).resolve()
            goal = goal / "index.md" if goal.is_dir() else goal
            if goal.suffix == ".md" and goal.exists() and goal not in seen:
                waiting.append(goal)
    assert set(pages()) <= seen


CONSOLES = [page for page in pages() if blocks(page.read_text())]
WITH_FULL = [page for page in CONSOLES if any("full" in b.words for b in blocks(page.read_text()))]


def check_consoles(page: Path, scratch: Path, *, full: bool) -> None:
    for one in sessions.run_page(page.read_text(), scratch, full=full):
        assert not one.problem, one.problem
        found = sessions.difference(one.shown, one.now, loose=one.loose)
        assert not found, f"{found}\naccept with: {ACCEPT} {page.name}"


LONG = {
    *("tutorial", "set-targets", "choose-the-law", "move-an-existing-loop-over", "prove-the-c"),
    *("exceed-the-bus", "identify-a-board", "co-simulate"),
}
"""Pages whose consoles take a quarter of a minute or more."""


@pytest.mark.parametrize(
    "page",
    [
        pytest.param(page, id=name(page), marks=[pytest.mark.long] * (page.stem in LONG))
        for page in CONSOLES
    ],
)
def test_consoles_show_what_comes(page: Path, tmp_path: Path) -> None:
    check_consoles(page, tmp_path, full=False)


# The tutorial goes through all of its steps again for one that another page shows too; and what
# that page shows of all targets is what the tests of targets look at.
@pytest.mark.parametrize(
    "page",
    [
        pytest.param(
            page,
            id=name(page),
            marks=pytest.mark.long
            if page.stem in {"tutorial", "run-on-targets"}
            else pytest.mark.full,
        )
        for page in WITH_FULL
    ],
)
def test_consoles_that_need_the_extras_too(page: Path, tmp_path: Path) -> None:
    check_consoles(page, tmp_path, full=True)


def test_a_console_that_shows_something_else_is_found() -> None:
    shown = "$ x\nsettles in 240 ms, 3 of 5\n"
    assert not sessions.difference(shown, "$ x\nsettles  in 240.4 ms, 3 of 5\n")
    assert "240" in sessions.difference(shown, "$ x\nsettles in 260 ms, 3 of 5\n")
    assert "rises" in sessions.difference(shown, "$ x\nrises in 240 ms, 3 of 5\n")
    assert "2 lines" in sessions.difference(shown, shown + "more\n")


@pytest.mark.parametrize("page", generated.FILES, ids=name)
def test_made_pages_are_current(page: Path) -> None:
    assert page.read_text() == generated.FILES[page](), f"accept with: {ACCEPT} {page.name}"


MADE = [(page, part) for page in pages() for part, _ in made_parts(page.read_text())]
SLOW = {"targets", "slowed-by"}
"""Parts that take minutes: a design with every kind of window, or without each demand."""


@pytest.mark.parametrize(
    ("page", "part"),
    [
        pytest.param(page, part, marks=[pytest.mark.long] if part in SLOW else [], id=part)
        for page, part in MADE
    ],
)
def test_made_parts_are_current(page: Path, part: str) -> None:
    content = dict(made_parts(page.read_text()))[part]
    found = sessions.difference(content, generated.PARTS[part]())
    assert not found, f"{part}: {found}\naccept with: {ACCEPT} {page.name}"


def command_lines(text: str) -> list[str]:
    """Every ``halfcycle ...`` in code, continued lines joined."""
    joined = text.replace("\\\n", " ")
    return re.findall(r"halfcycle ([a-z]+\b[^\n`|#]*)", joined)


@pytest.mark.parametrize("page", pages(), ids=name)
def test_commands_and_options_named_exist(page: Path) -> None:
    context = click.Context(cli)
    for line in command_lines(page.read_text(encoding="utf-8")):
        command, *words = line.split()
        if command not in COMMANDS:
            continue  # "halfcycle designs, ..." is prose
        found = cli.get_command(context, command)
        assert found is not None
        known = {option for part in found.params for option in part.opts} | {"--help", "-h"}
        for word in words:
            option = word.split("=")[0].rstrip(".,;:)'\"")
            assert not option.startswith("--") or option in known, f"{command} has no {option}"


def test_every_option_is_documented() -> None:
    """The other way round."""
    text = (DOCS / "reference" / "commands.md").read_text()
    context = click.Context(cli)
    for command in COMMANDS:
        section = text.partition(f"\n## {command}\n")[2].partition("\n## ")[0]
        found = cli.get_command(context, command)
        assert found is not None and section, command
        for part in found.params:
            if isinstance(part, click.Option):
                assert all(f"`{option}" in section for option in part.opts), (command, part.opts)
                assert part.help, f"{command} {part.opts}: no help text"


def test_every_readme_example_runs(tmp_path: Path) -> None:
    """Those in shell blocks; a block marked ``<!-- run: NAME -->`` is run by .ci/run itself."""
    text = (ROOT / "README.md").read_text()
    shown = re.findall(r"^(<!-- run: .+ -->\n)?```sh\n(.*?)```", text, re.MULTILINE | re.DOTALL)
    alone = [block for mark, block in shown if not mark]
    assert len(alone) < len(shown), "CI runs none of them"
    assert alone
    environment = sessions.reader(tmp_path)
    for block in alone:
        for line in block.replace("\\\n", " ").splitlines():
            command = line.partition(" #")[0].strip()
            if command and not command.startswith("pip "):
                done = sessions.shell(command, tmp_path, environment)
                assert done.returncode == 0, f"{command}\n{done.stdout}"
    sessions.keep(tmp_path)


_FIGURE = re.compile(r"(?<![\w.-])(\d+(?:\.\d+)?) (?:V|ms|us|Hz|dB|deg|ppm)\b")


@pytest.mark.parametrize(
    "page", [DOCS / "tutorial.md", *sorted((DOCS / "how-to").glob("*.md"))], ids=name
)
def test_figures_come_from_a_console_or_a_table(page: Path) -> None:
    """A number with a unit in the words of a page stands in one of its consoles, files or tables,
    or is declared: ``<!-- figures: 2 ms, ... -->`` says where it is from."""
    text = page.read_text()
    known = "".join(block.text for block in blocks(text))
    known += "".join(content for _, content in made_parts(text))
    known += "".join(re.findall(r"<!-- figures: .*? -->", text, re.DOTALL))
    numbers = {float(number) for number in re.findall(r"\d+(?:\.\d+)?", known)}
    inside = [(b.first, b.last) for b in blocks(text)]
    for line, words in prose(text):
        if words.startswith(("|", "<!--")) or any(a <= line - 1 < b for a, b in inside):
            continue
        for figure in _FIGURE.finditer(words):
            assert float(figure[1]) in numbers, f"{name(page)}:{line}: {figure[0]} is from nowhere"
