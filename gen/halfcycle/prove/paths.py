"""Runs Python code on unknown integers, once for every path that it can take.

A ``Symbol`` is an unbounded integer that z3 knows. It computes like an int; a comparison of
Symbols is a ``Truth``, and ``if`` on one chooses a side: ``Paths.explore`` runs the code again
until every side that is possible was taken. So the reference model itself runs on all inputs.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterator
from typing import Any

import z3

from halfcycle.prove.quotients import Form, Quotients
from halfcycle.prove.terms import Node

MAX_PATHS = 50_000
TIMEOUT_MS = 2_000
"""For one question to the solver, which takes some milliseconds as a rule."""
AGAIN: tuple[tuple[int, dict[str, int]], ...] = (
    (5_000, {"random_seed": 1}),
    (5_000, {"arith.solver": 2}),
    (30_000, {"random_seed": 2}),
    (120_000, {"arith.solver": 2}),
)
"""For a question that took longer: milliseconds and options, one after the other."""
FLOOR = "floor by "
MAX_LEAVES = 2
"""Fields in a sum whose quotient the solver is always shown as it is. Of a longer one, a window of
several blocks, it may know only the bounds, and that equal sums have equal quotients (``cuts``):
enough if both sides divide the same sum, whole or cut into words (``quotients``), and a hundred
times as fast."""


class DeadEndError(Exception):
    """The path that is being run is not possible."""


class UndecidedError(Exception):
    """The solver could not decide, or there are too many paths; the text says which."""


class BeyondError(UndecidedError):
    """A small function may be called with more than it is proven for."""


Bounds = tuple[int, int]


class Symbol:
    """An unknown integer of one ``Paths``; ``bounds`` are what is cheaply known of it."""

    __hash__ = None  # type: ignore[assignment]
    __slots__ = ("_bounds", "node", "paths", "zeros")

    def __init__(self, paths: Paths, node: Node, bounds: Bounds, zeros: int = 0) -> None:
        self.paths, self.node, self._bounds, self.zeros = paths, node, bounds, zeros

    @property
    def term(self) -> Any:
        """It in z3."""
        return self.node.z3

    @property
    def bounds(self) -> Bounds:
        """The lowest and highest value that it may have on this path, or beyond those."""
        return self.paths.known_bounds(self.node, self._bounds)

    @property
    def value(self) -> int | Symbol:
        """The int that it must be, if the bounds say so, else itself."""
        low, high = self.bounds
        return low if low == high else self

    def _made(self, sign: str, left: Any, right: Any, bounds: Bounds, zeros: int = 0) -> Any:
        if bounds[0] == bounds[1]:
            return bounds[0]
        node = self.paths.node(sign, self._node(left), self._node(right))
        made = Symbol(self.paths, node, bounds, zeros)
        if sign == "/":
            self.paths.quotients.leaves[node] = made
        return made

    def _node(self, value: Any) -> Node:
        return value.node if isinstance(value, Symbol) else self.paths.node("number", int(value))

    def __add__(self, other: Any) -> Any:
        if isinstance(other, int) and other == 0:
            return self
        (a, b), (c, d) = self.bounds, bounds_of(other)
        return self._made("+", self, other, (a + c, b + d), min(zeros(self), zeros(other)))

    __radd__ = __add__

    def __neg__(self) -> Any:
        low, high = self.bounds
        return self._made("-", 0, self, (-high, -low), self.zeros)

    def __pos__(self) -> Symbol:
        return self

    def __sub__(self, other: Any) -> Any:
        (a, b), (c, d) = self.bounds, bounds_of(other)
        return self._made("-", self, other, (a - d, b - c), min(zeros(self), zeros(other)))

    def __rsub__(self, other: int) -> Any:
        low, high = self.bounds
        return self._made(
            "-", other, self, (other - high, other - low), min(zeros(self), zeros(other))
        )

    def __mul__(self, other: Any) -> Any:
        left, right = self.value, other.value if isinstance(other, Symbol) else other
        if isinstance(left, int) and isinstance(right, int):
            return left * right
        if isinstance(left, int):
            left, right = right, left
        if isinstance(left, Symbol) and isinstance(right, int):
            if right in (0, 1):
                return left if right else 0
            low, high = sorted(right * bound for bound in left.bounds)
            places = (right & -right).bit_length() - 1
            return self._made("*", left, right, (low, high), left.zeros + places)
        assert isinstance(left, Symbol) and isinstance(right, Symbol)
        # What is doubled before it is multiplied is a product that is a multiple of 2 or 4.
        (a, by_left), (b, by_right) = left._taken_apart(), right._taken_apart()
        return self.paths.product(a, b) * (by_left * by_right)

    __rmul__ = __mul__

    def _taken_apart(self) -> tuple[Symbol, int]:
        """An unknown and a number above 0 that it is the product of; 1 if there is no other."""
        if self.node.sign != "*" or self.node.parts[1].sign != "number":
            return self, 1
        by = self.node.parts[1].parts[0]
        if by <= 0:
            return self, 1
        low, high = self.bounds
        places = max(0, self.zeros - zeros(by))
        return Symbol(self.paths, self.node.parts[0], (-(-low // by), high // by), places), by

    def __floordiv__(self, divisor: int) -> Any:
        """By a constant above 0, to below; z3's division of integers rounds so."""
        if divisor == 1:
            return self
        assert divisor > 0
        low, high = self.bounds
        if self.paths.cuts and self.paths.quotients.is_long(self.paths.form(self), MAX_LEAVES):
            return self.paths.quotient(self, divisor)
        places = max(0, self.zeros - (divisor.bit_length() - 1)) if is_power(divisor) else 0
        return self._made("/", self, divisor, (low // divisor, high // divisor), places)

    __truediv__ = __floordiv__
    """As z3 writes it."""

    def __mod__(self, divisor: int) -> Any:
        low, high = self.bounds
        if low >= 0 and high < divisor:
            return self
        if low // divisor == high // divisor:
            return self - low // divisor * divisor
        rest = self._made("%", self, divisor, (0, divisor - 1))
        if self.paths.cuts:
            self.paths.quotients.forms[rest.node] = self.paths.form(self).plus(
                self.paths.form(self // divisor), -divisor
            )
        return rest

    def __lshift__(self, places: int) -> Any:
        return self * (1 << places)

    def __rshift__(self, places: int) -> Any:
        return self // (1 << places)

    def __and__(self, mask: Any) -> Any:
        if isinstance(mask, Symbol):
            if mask.value is mask:
                return by_bits("&", self, mask)
            mask = mask.value
        if mask < 0:  # All bits but some.
            rest = self - (self & ~mask)
            low, high = self.bounds
            if low < 0 or isinstance(rest, int):
                return rest
            return Symbol(self.paths, rest.node, (0, high))
        total: Any = 0
        while mask:
            low = (mask & -mask).bit_length() - 1
            run = ((mask >> low) ^ ((mask >> low) + 1)).bit_length() - 1
            total = total + ((self >> low) % (1 << run) << low)
            mask &= ~(((1 << run) - 1) << low)
        return total

    __rand__ = __and__

    def __or__(self, other: Any) -> Any:
        for high, low in ((self, other), (other, self)):
            bounds = bounds_of(low)
            if bounds[0] >= 0 and bounds[1] < (1 << zeros(high)):
                return high + low
        if isinstance(other, int) and other >= 0:
            return self._with_bits(self + other - (self & other), other)
        return by_bits("|", self, other)

    __ror__ = __or__

    def __xor__(self, other: Any) -> Any:
        if not isinstance(other, int) or other < 0:
            return by_bits("^", self, other)
        return self._with_bits(self + other - 2 * (self & other), other)

    def _with_bits(self, value: Any, other: int) -> Any:
        """``value``, of which no bit is above those of this number and of ``other``."""
        low, high = self.bounds
        if low < 0 or isinstance(value, int):
            return value
        return Symbol(self.paths, value.node, (0, (1 << max(high, other).bit_length()) - 1))

    __rxor__ = __xor__

    def __abs__(self) -> Any:
        return -self if self < 0 else self

    def __lt__(self, other: Any) -> Any:
        return compared(self, "<", other)

    def __le__(self, other: Any) -> Any:
        return compared(self, "<=", other)

    def __gt__(self, other: Any) -> Any:
        return compared(self, ">", other)

    def __ge__(self, other: Any) -> Any:
        return compared(self, ">=", other)

    def __eq__(self, other: object) -> Any:
        return compared(self, "==", other)

    def __ne__(self, other: object) -> Any:
        return compared(self, "!=", other)

    def __bool__(self) -> bool:
        return bool(self != 0)

    def __index__(self) -> int:
        """One of its values: the path forks, by halves, until it is known."""
        while True:
            low, high = self.bounds
            if low == high:
                return low
            if high - low > 1 << 17:
                raise UndecidedError("an index that may be anything")
            bool(self <= (low + high) // 2)


MAX_BITS = 16
"""Of two unknowns that are taken bit by bit."""


def by_bits(sign: str, left: Symbol, right: Any) -> Any:
    """``&``, ``|`` or ``^`` of two unknowns. Raises UndecidedError if they are long."""
    ends = bounds_of(left), bounds_of(right)
    lengths = [high.bit_length() for _, high in ends]
    bits = min(lengths) if sign == "&" else max(lengths)
    if min(low for low, _ in ends) < 0 or bits > MAX_BITS:
        raise UndecidedError(f"a {sign} of two unknowns")
    total: Any = 0
    for place in range(bits):
        x, y = (left >> place) % 2, (right >> place) % 2
        both, one = (y, 0) if sign == "&" else (1, y) if sign == "|" else (1 - y, y)
        total = total + (left.paths.choice(x == 1, both, one) << place)
    return total


def is_power(number: int) -> bool:
    return number & (number - 1) == 0


def term_of(value: Any) -> Any:
    return value.term if isinstance(value, Symbol) else z3.IntVal(int(value))


def bounds_of(value: Any) -> Bounds:
    return value.bounds if isinstance(value, Symbol) else (value, value)


def zeros(value: Any) -> int:
    """How many of its lowest bits are 0 for certain."""
    if isinstance(value, Symbol):
        return value.zeros
    return (value & -value).bit_length() - 1 if value else 200


class Truth:
    """A comparison whose answer depends on the path; ``bool`` of it takes a side."""

    __slots__ = ("left", "paths", "right", "sign")

    def __init__(self, paths: Paths, left: Any, sign: str, right: Any) -> None:
        self.paths, self.left, self.sign, self.right = paths, left, sign, right

    @property
    def node(self) -> Node:
        sign, left, right = self.sign, self.left, self.right
        if sign in (">", ">="):
            sign, left, right = MIRRORED[sign], right, left
        return self.paths.node(sign, self.paths.node_of(left), self.paths.node_of(right))

    def __bool__(self) -> bool:
        answer = self.paths.decide(self.node)
        self.paths.learn(self.left, self.sign if answer else NEGATED[self.sign], self.right)
        return answer


NEGATED = {"<": ">=", ">=": "<", ">": "<=", "<=": ">", "==": "!=", "!=": "=="}
MIRRORED = {"<": ">", ">": "<", "<=": ">=", ">=": "<=", "==": "==", "!=": "!="}


def compared(left: Any, sign: str, right: Any) -> bool | Truth:
    """The comparison, a bool if the bounds settle it."""
    paths = left.paths if isinstance(left, Symbol) else right.paths
    (a, b), (c, d) = bounds_of(left), bounds_of(right)
    apart = b < c or a > d
    same = a == b == c == d
    if sign in ("==", "!="):
        if apart or same:
            return same == (sign == "==")
    else:
        strict, lower = sign in ("<", ">"), sign in ("<", "<=")
        if not lower:
            (a, b), (c, d) = (c, d), (a, b)
        if b < c or (b == c and not strict):
            return True
        if a > d or (a == d and strict):
            return False
    return Truth(paths, left, sign, right)


class Opaque:
    """One use of a function that the solver knows by its properties only."""

    __slots__ = ("arguments", "name", "result", "rule")

    def __init__(
        self, name: str, arguments: tuple[Any, ...], result: Any, rule: Callable[..., int] | None
    ) -> None:
        self.name, self.arguments, self.result, self.rule = name, arguments, result, rule


class Paths:
    """Every path of one run; numbers are mathematical integers."""

    def __init__(self, limit_s: float = math.inf, *, cuts: bool = False) -> None:
        self.cuts, self.has_cut = cuts, False
        self.solver = z3.SolverFor("QF_LIA")
        self.solver.set("timeout", TIMEOUT_MS)
        self.solver.set("random_seed", 0)
        self.count = 0
        self.opaque: list[Opaque] = []
        self._ends = time.monotonic() + limit_s
        self._prefix: list[bool] = []
        self._taken: list[bool] = []
        self._kept = -1
        """Decisions of the path before that are still in the solver."""
        self._pending: list[list[bool]] = []
        self._model: Any = None
        self._known: dict[int, bool] = {}
        """Simplified conditions, by z3's number for them, to the side taken."""
        self._bounds: dict[Node, Bounds] = {}
        self._nodes: dict[tuple[Any, ...], Node] = {}
        self._opposite: dict[Node, Any] = {}
        self._fresh = 0
        self.quotients = Quotients()

    def explore(self, run: Callable[[], None]) -> None:
        """Call ``run`` for every path; it must do the same each time. Raises UndecidedError."""
        self._pending = [[]]
        while self._pending:
            self._restart(self._pending.pop())
            self.count += 1
            if self.count > MAX_PATHS:
                raise UndecidedError(f"more than {MAX_PATHS} paths")
            try:
                run()
            except DeadEndError:
                self.count -= 1

    def _restart(self, prefix: list[bool]) -> None:
        if prefix:
            self._kept = len(prefix) - 1
            self.solver.pop(self.solver.num_scopes() - self._kept)
        self._prefix, self._taken = prefix, []
        self._model, self._fresh = None, 0
        self._known, self._bounds, self.opaque = {}, {}, []
        self.quotients = Quotients()

    def node(self, sign: str, *parts: Any) -> Node:
        """The one node of this sign and these parts."""
        key = (sign, *parts)
        node = self._nodes.get(key)
        if node is None:
            node = self._nodes[key] = Node(sign, parts)
        return node

    def node_of(self, value: Any) -> Node:
        return value.node if isinstance(value, Symbol) else self.node("number", int(value))

    @property
    def replaying(self) -> bool:
        """Whether what is stated now is in the solver already."""
        return len(self._taken) <= self._kept

    def unknown(self, name: str, low: int, high: int) -> Any:
        """Any integer of [low, high]."""
        if low == high:
            return low
        self._fresh += 1
        node = self.node("unknown", f"{name}!{self._fresh}")
        if not self.replaying:
            self.assume(node.z3 >= low, node.z3 <= high)
        made = self.quotients.leaves[node] = Symbol(self, node, (low, high))
        return made

    def renamed(self, value: Symbol, name: str) -> Symbol:
        """The same number as another unknown, which shows in all that is made of it."""
        node = self.node("unknown", name)
        self.assume(node.z3 == value.term)
        made = self.quotients.leaves[node] = Symbol(self, node, value.bounds)
        return made

    def assume(self, *facts: Any) -> None:
        """Take z3 terms as given from here on."""
        if self.replaying:
            return
        self.solver.add(*facts)
        if self._model is not None:
            self._model = None

    def decide(self, node: Node) -> bool:
        """The side of a condition that this path takes."""
        condition = node.simple
        if z3.is_true(condition) or z3.is_false(condition):
            return bool(z3.is_true(condition))
        known = self._known.get(condition.get_id())
        if known is not None:
            return known
        opposite = self._opposite.get(node)
        if opposite is None:
            opposite = self._opposite[node] = z3.simplify(z3.Not(condition))
        depth = len(self._taken)
        if depth < len(self._prefix):
            side = self._prefix[depth]
            if depth >= self._kept:
                self._push(condition if side else opposite)
                if self._check() != z3.sat:
                    raise DeadEndError
        else:
            side = bool(z3.is_true(self.model().eval(condition, model_completion=True)))
            if self._is_possible(opposite if side else condition):
                self._pending.append([*self._taken, not side])
            self._push(condition if side else opposite)
        self._taken.append(side)
        self._known[condition.get_id()] = side
        self._known[opposite.get_id()] = not side
        return side

    def _is_possible(self, condition: Any) -> bool:
        """Whether the other side may be taken too: a question is cheaper than a run into a dead
        end. What is not known soon is asked again there."""
        self._push(condition)
        answer = self.solver.check()
        self.solver.pop()
        return bool(answer != z3.unsat)

    def _push(self, condition: Any) -> None:
        self.solver.push()
        self.solver.add(condition)

    def _check(self) -> Any:
        if time.monotonic() > self._ends:
            raise UndecidedError("the time for it ran out")
        solver = self.solver
        answer = solver.check()
        for limit_ms, options in AGAIN:
            if answer == z3.unknown:
                # From the start, without what was learnt on other paths, and by other rules.
                solver = z3.SolverFor("QF_LIA")
                solver.set("timeout", limit_ms)
                for option, value in options.items():
                    solver.set(option, value)
                solver.add(*self.solver.assertions())
                answer = solver.check()
        if answer == z3.unknown:
            raise UndecidedError(f"the solver gave up: {solver.reason_unknown()}")
        self._model = solver.model() if answer == z3.sat else None
        return answer

    def model(self) -> Any:
        """Numbers for which this path is taken. Raises DeadEndError if there are none."""
        if self._model is None and self._check() != z3.sat:
            raise DeadEndError
        return self._model

    def known_bounds(self, node: Node, bounds: Bounds) -> Bounds:
        """``bounds`` of a term, cut by what the path's decisions say of it."""
        learnt = self._bounds.get(node)
        if learnt is None:
            return bounds
        return max(bounds[0], learnt[0]), min(bounds[1], learnt[1])

    @contextlib.contextmanager
    def learning_alone(self) -> Iterator[None]:
        """What is learnt inside does not outlive it: whoever does the same next makes the same
        terms, whose sides are known, and not others that say the same."""
        before = dict(self._bounds)
        yield
        self._bounds = before

    def learn(self, left: Any, sign: str, right: Any) -> None:
        """Cut the bounds of both sides of a comparison that holds."""
        for a, s, b in ((left, sign, right), (right, MIRRORED[sign], left)):
            if isinstance(a, Symbol):
                low, high = a.bounds
                other = bounds_of(b)
                if s in ("<", "<=", "=="):
                    high = min(high, other[1] - (s == "<"))
                if s in (">", ">=", "=="):
                    low = max(low, other[0] + (s == ">"))
                if s == "!=" and other[0] == other[1]:
                    low, high = low + (low == other[0]), high - (high == other[0])
                self._bounds[a.node] = (low, high)

    def choice(self, condition: Any, yes: Any, no: Any) -> Any:
        """``condition ? yes : no`` without a fork."""
        if isinstance(condition, bool):
            return yes if condition else no
        if yes is no or (isinstance(yes, int) and isinstance(no, int) and yes == no):
            return yes
        (a, b), (c, d) = bounds_of(yes), bounds_of(no)
        node = self.node("if", condition.node, self.node_of(yes), self.node_of(no))
        made = Symbol(self, node, (min(a, c), max(b, d)), min(zeros(yes), zeros(no)))
        self.quotients.leaves[node] = made
        return made

    def form(self, value: Any) -> Form:
        """A number of this path as a sum."""
        return self.quotients.form(self.node_of(value))

    def quotient(self, long: Symbol, divisor: int) -> Any:
        """``long`` by ``divisor``, to below: what the divisor goes into, and of the rest, if that
        is still long, no more than its bounds."""
        whole, rest = self.form(long).divided(divisor)
        rest, by = self.quotients.dividend(rest, divisor)
        dividend = self.quotients.symbol(rest)
        if self.quotients.is_long(rest, MAX_LEAVES):
            low, high = dividend.bounds
            part, _ = self.function(f"{FLOOR}{by}", (dividend,), low // by, high // by)
            if isinstance(part, Symbol):
                self.quotients.of[part.node] = (rest, by)
        else:
            part = dividend // by
        quotient = self.quotients.symbol(whole) + part
        if not isinstance(quotient, Symbol):
            return quotient
        low, high = long.bounds
        return Symbol(self, quotient.node, (low // divisor, high // divisor))

    def _ordered(self, value: Any) -> Any:
        """A long sum as all that are equal to it by their forms are written."""
        form = self.form(value)
        if self.cuts and self.quotients.is_long(form, MAX_LEAVES):
            return self.quotients.symbol(form)
        return value

    def is_within(self, value: Any, low: int, high: int) -> bool:
        """Whether ``value`` is in [low, high] on the side of the path that is taken. Of a quotient
        of which little is known, what was divided tells."""
        dividend, by = self.quotients.undivided(self.form(value))
        number = value if by == 1 else self.quotients.symbol(dividend)
        return bool(number >= low * by) and bool(number < (high + 1) * by)

    def product(self, a: Symbol, b: Symbol) -> Any:
        """a * b of two unknowns: linear bounds, and equal if the factors are."""
        (a_low, a_high), (b_low, b_high) = a.bounds, b.bounds
        if a.node is b.node:
            squares = sorted((a_low * a_low, a_high * a_high))
            corners = [0 if a_low <= 0 <= a_high else squares[0], squares[1]]
        else:
            corners = [x * y for x in (a_low, a_high) for y in (b_low, b_high)]
        product, is_new = self.function("product", (a, b), min(corners), max(corners))
        if is_new and not self.replaying:
            p, x, y = term_of(product), a.term, b.term
            # McCormick's envelope: (a - a_low)(b - b_low) >= 0 and its three likes, multiplied out.
            self.assume(
                p >= x * b_low + y * a_low - a_low * b_low,
                p >= x * b_high + y * a_high - a_high * b_high,
                p <= x * b_low + y * a_high - a_high * b_low,
                p <= x * b_high + y * a_low - a_low * b_high,
            )
        return product

    def function(
        self,
        name: str,
        arguments: tuple[Any, ...],
        low: int,
        high: int,
        rule: Callable[..., int] | None = None,
    ) -> tuple[Any, bool]:
        """The result, in [low, high], of a function that gives the same for the same arguments
        (a product: in either order), and whether it is new on this path. ``rule``: it on numbers,
        if its name does not say."""
        terms = [self.node_of(self._ordered(argument)).simple for argument in arguments]
        orders = [terms, terms[::-1]] if name == "product" else [terms]
        same_name = [use for use in self.opaque if use.name == name]
        for use in same_name:
            if any(all(x.eq(y) for x, y in zip(use.arguments, o, strict=True)) for o in orders):
                return use.result, False
        self.has_cut = self.has_cut or name.startswith(FLOOR)
        result = self.unknown(name, low, high)
        for use in same_name if not self.replaying else ():
            for order in orders:
                equal = z3.And(*(x == y for x, y in zip(use.arguments, order, strict=True)))
                self.assume(z3.Implies(equal, term_of(use.result) == term_of(result)))
        self.opaque.append(Opaque(name, tuple(terms), result, rule))
        return result, True

    def counterexample(self, conditions: list[Any]) -> Iterator[Any]:
        """Models of this path in which one of ``conditions`` (z3 terms) fails, the likeliest to be
        real first; none if they hold."""
        failing = z3.Not(z3.And(*conditions))
        self.solver.push()
        self.solver.add(failing)
        try:
            if self._check() != z3.sat:
                return
            first = self._model
            yield from self._exact_models(first)
            yield first
        finally:
            self.solver.pop()
            self._model = None

    def _exact_models(self, model: Any) -> Iterator[Any]:
        """Models in which every function has its true value: arguments are fixed one by one."""
        for turn in range(2):
            self.solver.push()
            found = self._fix_all(model, turn)
            if found is not None:
                yield found
            self.solver.pop()

    def _fix_all(self, model: Any, turn: int) -> Any:
        for use in self.opaque:
            result = term_of(use.result)
            if use.name == "product":
                a, b = use.arguments if not turn else use.arguments[::-1]
                number = model.eval(a, model_completion=True)
                self.solver.add(a == number, result == number * b)
            elif use.name.startswith(FLOOR):
                divisor = int(use.name.removeprefix(FLOOR))
                r = model.eval(result, model_completion=True).as_long()
                (argument,) = use.arguments
                self.solver.add(result == r, argument >= r * divisor)
                self.solver.add(argument < (r + 1) * divisor)
            elif use.rule is not None:
                numbers = [model.eval(a, model_completion=True) for a in use.arguments]
                self.solver.add(*(a == n for a, n in zip(use.arguments, numbers, strict=True)))
                self.solver.add(result == use.rule(*(number.as_long() for number in numbers)))
            else:
                r = model.eval(result, model_completion=True).as_long()
                (argument,) = use.arguments
                # To nearest: r (r - 1) < argument <= r (r + 1).
                self.solver.add(result == r, argument <= r * (r + 1))
                self.solver.add(argument > r * (r - 1) if r else argument == 0)
            if self._check() != z3.sat:
                return None
            model = self._model
        return model
