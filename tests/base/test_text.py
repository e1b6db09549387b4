"""Text of others is shown without its control characters. Categories: the Unicode standard's, as
Python's ``str.isprintable`` has them."""

from __future__ import annotations

import unicodedata

from halfcycle.base.text import at_most, figure, printable, printable_lines, with_signs

HOSTILE = "a\x1b[2Jb\x9bc\u202ed\x00e\x7ff\ud800g\u2028h"


def test_one_line() -> None:
    assert printable(HOSTILE + "\n\t") == (
        "a\\x1b[2Jb\\x9bc\\u202ed\\x00e\\x7ff\\ud800g\\u2028h\\n\\t"
    )
    assert printable("Höhe 5 Ω") == "Höhe 5 Ω"


def test_lines() -> None:
    assert printable_lines("x\n\ty\r\n") == "x\n\ty\\r\n"
    shown = printable_lines(HOSTILE)
    assert not any(unicodedata.category(c).startswith(("C", "Zl", "Zp")) for c in shown)


def test_plus_minus_is_a_sign_but_not_in_a_name() -> None:
    assert with_signs("+-0.2 V, 5 +- 1 (+-3), +-V") == "±0.2 V, 5 ± 1 (±3), ±V"
    assert (
        with_signs("+-: half of it; more than twice its +-.")
        == "±: half of it; more than twice its ±."
    )
    for kept in ("board a+-1", "[+-]?", "1e+5", "-+-3"):
        assert with_signs(kept) == kept


def test_a_number_of_four_digits_had_an_exponent() -> None:
    numbers = (1383.4, 999.6, 99.96, 12.345, 0.00012, 0.0)
    assert [figure(number) for number in numbers] == ["1383", "1000", "100", "12.3", "0.00012", "0"]
    assert figure(12345.6, 4) == "12346" and figure(-1383.4) == "-1383"


def test_a_small_bound_was_0_at_most() -> None:
    assert at_most(1e-7, 1e-3, "%") == at_most(0.0, 1e-3, "%") == "less than 0.001 %"
    assert at_most(0.00417, 1e-3, "%") == "at most 0.0042 %"
