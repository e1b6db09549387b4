"""Logs of boards that the tests make: a regulator's integers around a plant that is known."""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass, field

import numpy as np

from halfcycle.bench.log_rows import LogRows
from halfcycle.loop.drive import reading_of_scale
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import SCALE_ONE, WORD_MASK, Plan

COLUMNS = ("update", "target_mv", "rms_mv", "scale", "flags", "sum", "integral")
Changes = Sequence[tuple[int, int]]
"""(update, millivolts): targets, and from which update on."""


@dataclass(slots=True)
class Log:
    """The rows of a log as they are made; ``targets`` in units of the reading."""

    rows: list[tuple[int, ...]] = field(default_factory=list)
    targets: list[int] = field(default_factory=list)

    def add(self, regulator: Regulator, update: int, target_mv: int, total: int) -> None:
        """The row right after an update that took a block of the sum ``total``."""
        self.rows.append(
            (
                update & 65535,
                target_mv,
                regulator.rms_mv(),
                regulator.scale(),
                regulator.flags(),
                total & WORD_MASK,
                regulator.integral,
            )
        )
        self.targets.append(regulator.target[regulator.target_sequence & 1])

    def text(self, columns: Sequence[str] = COLUMNS[:5]) -> str:
        """As a decimal table."""
        at = [COLUMNS.index(name) for name in columns]
        lines = [",".join(str(row[place]) for place in at) for row in self.rows]
        return "\n".join([",".join(columns), *lines]) + "\n"

    def arrays(self, *, sums: bool = False, integral: bool = False) -> LogRows:
        """As the reader gives them."""
        table = np.array(self.rows, dtype=np.int64).T.copy()
        return LogRows(
            line=np.arange(2, len(self.rows) + 2, dtype=np.int64),
            update=table[0],
            target=np.array(self.targets, dtype=np.int64),
            rms_mv=table[2],
            scale=table[3],
            flags=table[4],
            sum=table[5] if sums else None,
            integral=table[6] if integral else None,
            in_units=True,
        )


def board_log(  # noqa: PLR0917 (a plant, and what is done to it)
    plan: Plan,
    gain: float,
    share: float,
    targets: Changes,
    updates: int,
    noise: float = 0.0,
    seed: int = 0,
    gain_of: Callable[[int], float] | None = None,
    limited: Container[int] = (),
    lag: float = 0.0,
) -> Log:
    """``updates`` of a board whose gain is ``gain`` (or ``gain_of`` an update), of whose changes of
    scale ``share`` acts in the first update's time, and whose blocks read with ``noise``: the
    deviation of a whole window's reading, a share of rated. In the updates of ``limited`` a limiter
    takes a fifth of the output away. Of what the output has to go, ``lag`` is left after an update:
    a filter that answers for longer than the fit's model knows. From a reset on."""
    rng = np.random.default_rng(seed)
    regulator, log = Regulator(plan), Log()
    wanted = dict(targets)
    target_mv = plan.rated_mv
    rated = plan.rated_mv * plan.target_gain / 2.0**plan.target_shift
    weights = np.array(plan.block_weights, dtype=float)
    whole = 2.0**plan.reading_shift / weights.sum()
    each = noise * weights.sum() / np.sqrt((weights**2).sum())
    last = now = output = 0.0
    due = 1
    for update in range(updates):
        if update in wanted:
            target_mv = wanted[update]
            regulator.set_target_mv(target_mv)
        power = gain if gain_of is None else gain_of(update)
        # A scale is new for the first block after a step only.
        part = share if due else 1.0
        square = plan.measure == "rms"
        levels = [
            power * float(reading_of_scale(np.array(u), plan.measure)[0]) for u in (now, last)
        ]
        level = part * levels[0] ** (1 + square) + (1 - part) * levels[1] ** (1 + square)
        size = float(np.sqrt(level)) if square else level
        output = size = lag * output + (1 - lag) * size
        size = max(0.0, size + each * float(rng.standard_normal()))
        if update in limited:
            size *= 0.8
            regulator.hold()
        total = round((size * rated) ** (1 + square) * whole)
        before = regulator.blocks_due
        regulator.close_with(min(total, plan.block_max))
        regulator.update()
        log.add(regulator, update + 1, target_mv, min(total, plan.block_max))
        due = int(before == 1)
        if due:
            last, now = now, regulator.scale() / SCALE_ONE
        else:
            last = now
    return log
