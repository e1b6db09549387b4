"""Wording of counts and small numbers in messages, tables and generated comments."""

from __future__ import annotations


def counted(half_cycles: int) -> str:
    """The count in words: "1 half cycle", "3 half cycles"."""
    return f"{half_cycles} half cycle{'' if half_cycles == 1 else 's'}"


def signed_ppm(value: float) -> str:
    """Parts per million with the sign: whole ones from 100 up, else three digits, so that what is
    not 0 never reads as 0: "+2500 ppm", "-0.256 ppm"."""
    digits = f"{value:+.0f}" if abs(value) >= 100 else f"{value:+.3g}"
    return f"{digits} ppm"
