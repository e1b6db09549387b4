"""Small functions of the C that take numbers only, each proven once and equal to its like in the
model's arithmetic: wherever they are called both sides may then use one and the same unknown, and
no path forks inside them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from halfcycle.prove.c_operators import NotUnderstoodError, Number
from halfcycle.prove.c_source import Source
from halfcycle.prove.path_machine import PathMachine, UndefinedError
from halfcycle.prove.paths import Paths, Symbol, UndecidedError
from halfcycle.quantise.signals import error_bits
from halfcycle.regulator import arithmetic
from halfcycle.regulator.model import Regulator
from halfcycle.regulator.plan import LEAN_WORD, Normalising, Plan
from halfcycle.regulator.state import reading_type

LIMIT_S = 60.0


@dataclass(frozen=True, slots=True)
class Pure:
    """``domain``: lowest and highest of each argument. ``result``: the same of what it returns, for
    any arguments in it.

    ``moves``: a field that only this function and its caller use, "" for none. Its value is the
    first argument, and the model returns what it becomes, within ``after``, before the result.
    """

    model: Callable[..., Any]
    domain: tuple[tuple[int, int], ...]
    result: tuple[int, int]
    moves: str = ""
    after: tuple[int, int] = (0, 0)

    def apply(self, paths: Paths, name: str, arguments: tuple[Any, ...]) -> Any:
        """The result: of unknowns, the same for the same ones, and no more is known of it. With
        ``moves``: what becomes of the field, and the result."""
        if not any(isinstance(argument, Symbol) for argument in arguments):
            return self.model(*arguments)
        if not self.moves:
            return paths.function(name, arguments, *self.result, rule=self.model)[0]
        ends = ((f"{name} moves", self.after, 0), (name, self.result, 1))
        return tuple(
            paths.function(
                key, arguments, *bounds, rule=lambda *numbers, at=at: self.model(*numbers)[at]
            )[0]
            for key, bounds, at in ends
        )


PURE: dict[str, Pure] = {
    "lean": Pure(
        arithmetic.lean,
        ((0, LEAN_WORD), (0, LEAN_WORD), (0, LEAN_WORD)),
        (-LEAN_WORD, LEAN_WORD),
    ),
    "alike": Pure(arithmetic.alike, ((-LEAN_WORD, LEAN_WORD),) * 2, (0, 1)),
}
"""By their names in ``arithmetic``; in the C they follow the regulator's name and _."""


def pure_of(plan: Plan) -> dict[str, Pure]:
    """``PURE``, what a failed sensor leaves, and what tracks the zero: the Plan's constants, which
    the model's functions take after the numbers, stand in the C's themselves."""
    flags = (0, plan.all_flags)
    latch = {"latch": Pure(arithmetic.latch, (flags,) * 3, flags)}
    return PURE | latch | _regulate(plan) | _least(plan) | _zero(plan) | _bus(plan)


def _regulate(plan: Plan) -> dict[str, Pure]:
    drives = (0, plan.drive_max)
    if plan.law is not None:
        return _normalised(plan, plan.law, drives)
    domain = (drives, _errors(plan), drives)
    return {"regulate": Pure(Regulator(plan).regulated, domain, drives, "integral", drives)}


def _errors(plan: Plan) -> tuple[int, int]:
    # On some paths each of a window's two sums may seem as great as both are at most.
    least = max(-2 * (plan.reading_max + 1), -(1 << error_bits(plan) - 1))
    return least, plan.target_max


def _normalised(plan: Plan, law: Normalising, drives: tuple[int, int]) -> dict[str, Pure]:
    """The digits of 1/target, the error's share of it, and the step of the law."""
    power, shift, one = law.inverse_shift, law.share_shift, law.share_one
    inverses, targets = (0, law.inverse_max), (0, plan.target_max)
    shares = (-(one >> 1), one)
    changes = ((shares[0] - one, one - shares[0]),) if plan.has_proportional else ()
    domain = (drives, shares, *changes, targets, drives)
    return {
        "inverse_digit": Pure(
            lambda quotient, place, value: arithmetic.inverse_digit(quotient, place, value, power),
            (inverses, (0, law.places[0]), targets),
            inverses,
        ),
        "share": Pure(
            lambda error, inverse: arithmetic.share(error, inverse, shift, one),
            (_errors(plan), inverses),
            shares,
        ),
        "regulate": Pure(Regulator(plan).regulated, domain, drives, "integral", drives),
    }


def _least(plan: Plan) -> dict[str, Pure]:
    if plan.latched:
        return {}
    gain, shift = plan.enough_gain, plan.enough_shift
    reading, scale = plan.hold_reading, plan.hold_scale
    scales = (0, plan.scale_top)
    readings = (0, (1 << 15 if reading_type(plan) == "int16_t" else 1 << 31) - 1)
    return {
        "lesser": Pure(arithmetic.lesser, (scales, scales), scales),
        "safe": Pure(
            lambda least, read, target: arithmetic.safe(
                least, read, target, gain, shift, reading, scale
            ),
            (scales, readings, (0, plan.target_max)),
            scales,
        ),
    }


def _zero(plan: Plan) -> dict[str, Pure]:
    tracking = plan.tracking
    if tracking is None:
        return {}
    bits, shift, limit = tracking.bits, tracking.step_shift, tracking.limit
    lean, per_code = plan.zero_lean_max, plan.lean_per_code_max
    codes = (-tracking.clamp, tracking.clamp)
    return {
        "zero_there": Pure(
            lambda lean, per_code, part, code: arithmetic.zero_there(
                lean, per_code, part, code, bits, shift, limit
            ),
            ((-lean, lean), (0, per_code), (-tracking.hold, tracking.hold), codes),
            (-limit, limit),
        ),
        "zero_held": Pure(
            lambda there, code: arithmetic.zero_held(there, code, bits, tracking.hold),
            ((-limit, limit), codes),
            codes,
        ),
    }


def _bus(plan: Plan) -> dict[str, Pure]:
    bus = plan.bus
    if bus is None:
        return {}
    factors, ratios = (bus.factor_low, bus.factor_high), (bus.ratio_low, bus.ratio_high)
    functions = {
        "factor_step": Pure(
            lambda factor, ratio: arithmetic.factor_step(factor, ratio, *factors),
            (factors, ratios),
            factors,
        ),
        "ratio_step": Pure(
            lambda ratio, factor: arithmetic.ratio_step(ratio, factor, *ratios),
            (ratios, factors),
            ratios,
        ),
        "led_factor": Pure(arithmetic.led_factor, (factors, factors, (0, bus.lead)), factors),
        "fed_scale": Pure(
            lambda scale, factor: arithmetic.fed_scale(scale, factor, plan.scale_max),
            ((0, plan.scale_top), factors),
            (0, plan.scale_max),
        ),
    }
    if plan.blockwise:
        sums = (0, plan.block_samples * bus.ratio_high)
        functions["towards"] = Pure(
            lambda mean, newest: arithmetic.towards(mean, newest, bus.mean_shift),
            (sums, sums),
            sums,
        )
    return functions


def is_proven(source: Source, name: str, pure: Pure) -> bool:
    """Whether the C's function ``name`` is the model's for all arguments of the domain. What was
    shown once of a source is remembered with it."""
    if name not in source.functions:
        return False
    if name not in source.pure:
        try:
            source.pure[name] = _is_equal(source, name, pure)
        except (NotUnderstoodError, UndecidedError, UndefinedError, KeyError):
            # Run as a part of what calls it, it shows what is wrong and where; or it takes another
            # field than the one that it moves.
            source.pure[name] = False
    return source.pure[name]


def _is_equal(source: Source, name: str, pure: Pure) -> bool:
    locals_ = [local for local, kind in source.parameters[name] if kind is not None]
    kinds = [kind for _, kind in source.parameters[name] if kind is not None]
    names = [pure.moves, *locals_] if pure.moves else locals_
    domain = pure.domain[1:] if pure.moves else pure.domain
    # All are numbers, but for the state if a field of it is moved.
    others = len(source.parameters[name]) - len(kinds)
    if len(kinds) != len(domain) or others != len(names) - len(locals_):
        return False
    if any(
        not kind.low <= low <= high <= kind.high
        for kind, (low, high) in zip(kinds, domain, strict=True)
    ):
        return False
    paths = Paths(LIMIT_S)
    sides: list[bool] = []

    def run() -> None:
        unknowns = [
            paths.unknown(local, *bounds) for local, bounds in zip(names, pure.domain, strict=True)
        ]
        wanted = pure.model(*unknowns)
        state = {pure.moves: [unknowns.pop(0)]} if pure.moves else {}
        numbers = [Number(value, kind) for value, kind in zip(unknowns, kinds, strict=True)]
        got = PathMachine(source, paths, state, {}).call(name, numbers, name)
        if got is None:
            sides.append(False)
            return
        ends = [(wanted, got.value, pure.result)]
        if pure.moves:
            ends = [(wanted[0], state[pure.moves][0], pure.after), (wanted[1], *ends[0][1:])]
        for model, c, (low, high) in ends:
            sides.append(bool(model == c and low <= model <= high))

    paths.explore(run)
    return all(sides)
