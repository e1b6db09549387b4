"""A law that was left open stays the one that the design had, since its gains are in its units."""

from __future__ import annotations

from fractions import Fraction

from halfcycle.cli.retune import figures
from halfcycle.retune.retune import retune
from support.paths import EXAMPLES


def test_gains_that_are_kept_keep_their_law() -> None:
    text = (EXAMPLES / "marsh_gauge.toml").read_text(encoding="utf-8")
    text = text.replace(
        'law = "normalised"\n', 'weighting = "flat"\nupdates_per_window = 1\nhalf_cycles = 2\n'
    )
    text = text.replace("[targets]\n", "[targets]\npeak_sensitivity = 1.65\n")
    moved = retune(text, {"loop.period_us": Fraction(250)})
    assert moved.before.design.law is not None
    assert moved.after is not None and moved.after.design.law is not None
    kept = "gains.integral_per_s" in moved.values
    assert kept
    assert moved.values.get("loop.law") == ("normalised" if kept else None)
    assert ('law = "normalised"' in moved.text) == kept
    # Bug: the table gave them the plain law's unit.
    assert dict(figures(moved.before))["integral gain"].endswith(" per share and s")
