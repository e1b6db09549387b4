"""The scales that were in force at the last PI steps, and what they leave open of the least one.

The regulator keeps the least scale of the span going on and of the two before. A log does not tell
where its spans end, so that the least is one of an interval: of the last two spans' steps at most,
and of three spans' at least. After missed blocks, or while a window is awaited, spans end at blocks
without a PI step, and go on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

Interval = tuple[int, int]


@dataclass(frozen=True, slots=True)
class PastScales:
    """``scales``: in force at the PI steps before, the later last. ``clear``: steps since the first
    that is known, or since a span that went on. ``floor``: the least that was in force before."""

    span: int
    """PI steps in a span: 1 and up."""
    scales: tuple[int, ...] = ()
    clear: int = 0
    floor: int = 0

    def after_step(self, scale: int) -> PastScales:
        """After a PI step until which ``scale`` was in force."""
        keep = 3 * self.span - 1
        return replace(self, scales=(*self.scales, scale)[-keep:], clear=self.clear + 1)

    def broken(self) -> PastScales:
        """After blocks at whose end no PI step came, though a span may have ended."""
        if self.span == 1:
            return self  # Counted by steps.
        return replace(self, floor=min((self.floor_now, *self.scales)), clear=0)

    def or_else(self, other: PastScales) -> PastScales:
        """What is known if either may be: nothing, unless they are the same."""
        return self if self == other else PastScales(self.span)

    @property
    def floor_now(self) -> int:
        """``floor`` as long as the least may be from before; else no bound."""
        reach = 3 * self.span if self.span > 1 else 2
        return self.floor if self.clear < reach else 1 << 30

    def least(self, scale: int) -> Interval:
        """The least scale of three windows at a PI step until which ``scale`` is in force."""
        recent = min(self.clear, 2 * self.span)
        latest = self.scales[len(self.scales) - recent :]
        return min(scale, self.floor_now, *self.scales), min((scale, *latest))
