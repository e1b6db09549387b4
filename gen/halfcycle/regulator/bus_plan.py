"""Constants of a Plan whose bus is measured, and divided out of the drive.

``NAME_bus`` keeps the nominal bus over the measured one (the factor) by one Newton step a reading,
and the measured one over the nominal (the ratio), which the drive's limit is taken from.
"""

from __future__ import annotations

from dataclasses import dataclass

BUS_BITS = 15
BUS_ONE = 1 << BUS_BITS
"""Factor and ratio 1.0 (uQ1.15, 16 bit)."""
FACTOR_MAX = 65535
MIN_LED, MAX_LED = 2, 65535
"""A single bad reading is not led from; 16 bits count the calls."""
MIN_UNREAD, MAX_UNREAD = 2, 255
"""1 tells of a block whose last reading was lost; a byte counts the blocks."""


@dataclass(frozen=True, slots=True)
class BusPlan:
    """How ``bus`` turns a code into ratio and factor. ``read_low`` to ``read_high``: the codes that
    count as read, any other as lost; one above ``high_code`` is taken for that."""

    zero_code: int
    read_low: int
    read_high: int
    high_code: int
    ratio_gain: int
    ratio_shift: int
    """Ratio = (code - zero_code) * ratio_gain / 2^ratio_shift, to nearest."""
    ratio_low: int
    ratio_high: int
    factor_low: int
    factor_high: int
    """What the Newton step is held within: the nominal bus over the ends of what it follows."""
    lead: int
    """Most that the factor moves from one block to the next while no reading stands behind it."""
    join: int
    """It follows a reading that is back once it is no farther from it than this."""
    mean_shift: int
    """Windows of blocks: the mean of the ratios moves by 2^-mean_shift of the way a block, so that
    a ripple of the bus does not move the limit."""
    limit_gain: int
    limit_shift: int
    """Limit of the scale = scale_by(sum of a block's ratios, limit_gain, limit_shift)."""
    scale_top: int
    """Greatest limit of the scale, below 2.0."""
    led: int
    """``bus_led`` while the factor is led, MIN_LED to MAX_LED: after so many calls without a
    reading to follow. The loop may have answered nearly all that the bus moved by then."""
    unread: int
    """``window_lost`` after as long without any call, MIN_UNREAD to MAX_UNREAD: one more than the
    blocks (of a plain window: windows) that ended so."""
    period_us: float
    """Time from one call to the next, microseconds."""

    @property
    def nominal_code(self) -> int:
        """What the nominal bus reads."""
        return self.zero_code + round((BUS_ONE << self.ratio_shift) / self.ratio_gain)
