"""What the ringing of measured filters says of the spec."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from halfcycle.base.findings import Finding, finding
from halfcycle.bench.calibrate import text_of
from halfcycle.bench.filter_ringing import (
    CAPACITANCE,
    INDUCTANCE,
    RESISTANCE,
    BoardRinging,
)
from halfcycle.bench.ringing_fit import NoRinging, RingingFit

RECIPE = "record the output while a load is switched off, near a crest of the sine"


def ringing_findings(boards: Sequence[BoardRinging]) -> tuple[Finding, ...]:
    """One finding per thing to know or to do."""
    return tuple(entry for board in boards for entry in _findings(board))


def _findings(board: BoardRinging) -> Iterator[Finding]:
    yield from board.remarks
    fit = board.fit
    if isinstance(fit, NoRinging):
        yield finding("ringing-unseen", board.name, f"{fit.reason}; {RECIPE}")
        return
    ends, decays = board.corners.frequency_hz, board.corners.decay_per_s
    hertz, decay = fit.frequency_hz, fit.decay_per_s
    if not ends.may_hold(hertz):
        yield finding("ringing-outside", board.name, _outside(board, fit))
    elif decay.high >= decays.low:
        text = (
            f"rings at {text_of(hertz, 5)} Hz (L, C and load allow "
            f"{ends.low:.4g} to {ends.high:.4g} Hz)"
        )
        yield finding("ringing-inside", board.name, text)
    falls = f"the ringing decays at {text_of(decay, 4)} per second"
    if decay.high < decays.low:
        text = f"{falls}, the spec's losses and lightest load make it {decays.low:.4g} or more"
        if RESISTANCE in board.advice:
            text += (
                f"; to rely on this board it would have to say {RESISTANCE} = "
                f"{board.advice[RESISTANCE]:g}"
            )
        else:
            text += "; the lightest load of the spec is heavier than this board's"
        yield finding("ringing-undamped", board.name, text)
    elif decay.low > decays.high:
        text = (
            f"{falls}, the spec's losses and heaviest load make it {decays.high:.4g} at most: "
            "there are losses that it does not know, which damp the loop"
        )
        yield finding("ringing-damped", board.name, text)


def _outside(board: BoardRinging, fit: RingingFit) -> str:
    ends, hertz = board.corners.frequency_hz, fit.frequency_hz
    less = hertz.value > ends.high
    side = ends.high if less else ends.low
    off = 100 * abs((side / hertz.value) ** 2 - 1)
    text = (
        f"rings at {text_of(hertz, 5)} Hz, L, C and load allow "
        f"{ends.low:.4g} to {ends.high:.4g} Hz: L times C is {off:.3g} % "
        f"{'less' if less else 'more'} than the tolerances reach"
    )
    either = [
        f"{key} = {board.advice[key]:g}" for key in (INDUCTANCE, CAPACITANCE) if key in board.advice
    ]
    if not either:
        return f"{text}; the nominal values are not this board's: measure L and C, and correct them"
    return (
        f"{text}; to rely on this board the spec would have to say {' or '.join(either)}: measure "
        "one of the two parts to know which"
    )
