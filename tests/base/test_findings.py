"""Every kind of finding is made somewhere, has its cause and remedy, and a readable code."""

from __future__ import annotations

import re

import pytest

from documentation import findings_page
from documentation.finding_examples import NONE, can_say, examples
from documentation.findings_page import codes_in_code
from halfcycle.base.findings import KINDS, LEVELS, Finding, finding, grouped
from halfcycle.base.text import with_signs


def test_the_table_and_the_code_have_the_same_kinds() -> None:
    assert codes_in_code() == set(KINDS)


@pytest.mark.parametrize("code", KINDS)
def test_a_kind_is_whole(code: str) -> None:
    kind = KINDS[code]
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+){0,3}", code)
    assert kind.levels == tuple(level for level in LEVELS if level in kind.levels)
    for text in (kind.cause, kind.remedy):
        assert text[0].isupper() and text.endswith(".")


def test_a_level_that_the_kind_cannot_have_is_refused() -> None:
    with pytest.raises(ValueError, match="never of level error"):
        finding("odd-window", "loop.half_cycles", "text", "error")


def test_findings_with_one_advice_stand_together_and_none_is_lost() -> None:
    def high(case: str, boards: int) -> Finding:
        return finding("over-voltage", case, f"{boards} boards leave a limit; cut it off")

    rest = finding("targets-unmet", "targets", "no window settles in time")
    findings = [high("overload", 3), rest, high("stuck-sensor", 2)]
    groups = grouped(findings)
    assert [group.lines() for group in groups] == [
        (
            "warning: overload: 3 boards leave a limit",
            "stuck-sensor: 2 boards leave a limit",
            "cut it off [over-voltage]",
        ),
        (str(rest),),
    ]
    assert grouped([high("overload", 3)])[0].lines() == (str(high("overload", 3)),)


def test_every_example_is_a_line_that_the_code_can_make() -> None:
    """Of its own kind, and none of another's."""
    kept = examples()
    assert len(kept) > 80 and set(kept) <= set(KINDS)
    for code, line in kept.items():
        assert can_say(line, code), f"{code}: {line}"
        assert line.split(":")[0] in KINDS[code].levels
    # A kind whose text is made elsewhere is shown as little but figures, and takes any line.
    bare = {code for code, _, words in findings_page.rows() if len(re.sub(r"\W", "", words)) < 25}
    strangers = [(a, b) for a in kept for b in set(kept) - bare if a != b and can_say(kept[a], b)]
    assert len(strangers) < 10, strangers
    assert not can_say(kept["odd-window"].replace("odd count", "even count"), "odd-window")


def test_every_kind_has_an_example_or_the_reason_why_not() -> None:
    """21 of them had neither."""
    kept = set(examples())
    assert kept | set(NONE) == set(KINDS) and not kept & set(NONE)


def test_the_page_shows_every_example() -> None:
    page = findings_page.page()
    lines = {code: f"\n{with_signs(line)} [{code}]\n" for code, line in examples().items()}
    assert [code for code, line in lines.items() if line not in page] == []


def test_examples_have_the_digits_of_the_page_and_names_of_boards() -> None:
    """Boards were called a, board and low; a percentage had a zero that says nothing: 0.60 %."""
    for code, line in examples().items():
        assert not re.search(r"\d\.\d*0 %", line), code
        assert not re.search(r"^\w+: (?:[\w.]+: )?(?:a|board|low)(?:: | comes)", line), code
