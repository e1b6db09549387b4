"""The ranges of what a measured bus adds to the generated C."""

from __future__ import annotations

from collections.abc import Callable

from halfcycle.quantise.interval import Interval
from halfcycle.regulator import arithmetic
from halfcycle.regulator.bus_plan import BUS_BITS, BUS_ONE
from halfcycle.regulator.plan import SCALE_BITS, Plan

Add = Callable[..., None]
"""``_Table.add`` of ``signals``."""


def bus_signals(add: Add, plan: Plan) -> None:
    """Add the signals of the bus, if it is measured. Raises OverflowError as ``add`` does."""
    bus = plan.bus
    if bus is None:
        return
    per = 2.0**-BUS_BITS
    ratio = Interval(bus.ratio_low, bus.ratio_high)
    factor = Interval(bus.factor_low, bus.factor_high)
    measured = Interval(bus.read_low - bus.zero_code, bus.high_code - bus.zero_code)
    rounding = arithmetic.half(bus.ratio_shift)
    scaled = measured * Interval(bus.ratio_gain, bus.ratio_gain) + Interval(rounding, rounding)
    add("bus_ratio", ratio, 16, per, "of nominal", fraction=BUS_BITS)
    add("ratio_product", scaled, 32, per * 2.0**-bus.ratio_shift, "of nominal")
    add("factor", factor, 16, per, "of nominal", fraction=BUS_BITS)
    # Ratio and factor meet in one product, whichever of them is stepped.
    both = ratio * factor
    add("newton_product", both, 32, per * per, "1", fraction=2 * BUS_BITS)
    # A product of 2 or more is not stepped from.
    step = Interval(0, max(bus.factor_high, bus.ratio_high)) * Interval(0, 2 * BUS_ONE)
    add("newton_step", step, 32, per * per, "of nominal", fraction=2 * BUS_BITS)
    add("moved", Interval(0, max(bus.factor_high, bus.ratio_high) * 2), 32, per, "of nominal")
    total = Interval(0, plan.block_samples * bus.ratio_high)
    add("bus_sum", total, 32, per, "of nominal")
    rounding = 1 << (BUS_BITS - 1)
    product = Interval(0, plan.scale_top) * factor + Interval(rounding, rounding)
    add("fed_product", product, 32, per * 2.0**-SCALE_BITS, "scale", fraction=SCALE_BITS + BUS_BITS)
    add("fed_scale", Interval(0, plan.scale_max), 16, 2.0**-SCALE_BITS, "scale", fraction=14)
