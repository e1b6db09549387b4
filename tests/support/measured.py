"""Hand-made Plans whose bus is measured, and the scenario's spec; see ``plan_cases``."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from halfcycle.quantise.formats import conversion
from halfcycle.quantise.signals import signal_table
from halfcycle.regulator.arithmetic import scale_by
from halfcycle.regulator.bus_plan import BusPlan
from halfcycle.regulator.plan import Plan
from support.paths import DOCS
from support.plan_cases import CASES, make, of_blocks

SPEC = DOCS / "scenarios" / "tram_shelter.toml"
BUS = BusPlan(
    zero_code=10,
    read_low=1770,
    read_high=3990,
    high_code=3970,
    ratio_gain=38348,
    ratio_shift=12,
    ratio_low=16478,
    ratio_high=37075,
    factor_low=28961,
    factor_high=65163,
    lead=30,
    join=90,
    mean_shift=2,
    limit_gain=0,
    limit_shift=8,
    scale_top=0,
    led=20,
    unread=2,
    period_us=50.0,
)
"""Of 385 V at 0.11 V a code, a zero at 10, and 350 to 420 V."""


def measured(plan: Plan, led: int = BUS.led, unread: int = BUS.unread) -> Plan:
    """The same Plan with a measured bus; see BusPlan for ``led`` and ``unread``."""
    most = plan.block_samples * BUS.ratio_high
    limit = conversion(Fraction(plan.scale_max, 32768 * plan.block_samples), most)
    top = scale_by(most, *limit)
    bus = replace(
        BUS, limit_gain=limit[0], limit_shift=limit[1], scale_top=top, led=led, unread=unread
    )
    whole = replace(plan, bus=bus)
    return replace(whole, signals=signal_table(whole, 0.01, 0.22))


PLANS = {
    "mean": measured(make(name="tor_beacon")),
    "rms": measured(
        make(
            name="pen_crane",
            measure="rms",
            samples=50,
            reading_shift=3,
            reading_max=5120,
            hold_reading=90,
            proportional=-1450,
        )
    ),
    "moving": measured(of_blocks("ness_winch", (1,) * 5, 1), 25, 4),
}

COMPILED = {**PLANS, "high": measured(replace(CASES["rms wide high ramped"], name="skerry_winch"))}
"""Those whose C compilers and analysers look at: one more, with sums of two words."""
