"""Quotients of sums that were cut into words, against Python's own floor division."""

from __future__ import annotations

import random

from halfcycle.prove.paths import Paths, Symbol
from halfcycle.prove.quotients import Form


def unknowns(paths: Paths, count: int) -> list[Symbol]:
    paths._restart([])
    return [paths.unknown(f"u{n}", 0, (1 << 32) - 1) for n in range(count)]


def test_a_sum_in_words_has_the_quotient_of_the_whole_sum() -> None:
    paths = Paths(cuts=True)
    fields = unknowns(paths, 6)
    weights = (3, 4, 5, 5, 4, 3)
    whole = sum((w * u for w, u in zip(weights, fields, strict=True)), start=0)
    upper = sum((w * (u >> 16) for w, u in zip(weights, fields, strict=True)), start=0)
    lower = sum((w * (u & 65535) for w, u in zip(weights, fields, strict=True)), start=0)
    upper = upper + (lower >> 16)
    for shift in (9, 11, 16, 17):
        words = (
            upper >> (shift - 16)
            if shift >= 16
            else upper * (1 << (16 - shift)) + ((lower & 65535) >> shift)
        )
        assert paths.form(words) == paths.form(whole >> shift)
    # Another weight of one word, or another shift, is not the same.
    assert paths.form(upper + (fields[0] >> 16)) != paths.form(whole >> 16)
    assert paths.form(upper >> 1) != paths.form(whole >> 16)


def test_a_form_is_divided_as_numbers_are() -> None:
    generator = random.Random(1)
    (leaf,) = unknowns(Paths(), 1)
    for _ in range(200):
        constant, factor, value = (generator.randrange(-(10**6), 10**6) for _ in range(3))
        divisor = generator.randrange(1, 5000)
        whole, rest = Form(constant, {leaf.node: factor}).divided(divisor)
        a, b = (part.constant + part.factors.get(leaf.node, 0) * value for part in (whole, rest))
        assert (constant + factor * value) // divisor == a + b // divisor
