"""The closed forms behind the numeric modules, derived symbolically.

Each function returns sympy expressions in the symbols of :func:`symbols`. Tests hold the numeric
modules to them; a report prints them. sympy is imported inside only: no command pays for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from halfcycle.loop.discretise import Integration

Expr = Any
"""A sympy expression; sympy has no types of its own to name."""


def _sympy() -> Any:
    import sympy  # type: ignore[import-untyped]  # noqa: PLC0415 (slow: only for who asks)

    return sympy


def symbols(names: str) -> tuple[Expr, ...]:
    """Symbols by name: z complex, all others real."""
    sympy = _sympy()

    return tuple(sympy.Symbol(name, real=name != "z") for name in names.split())


def controller() -> Expr:
    """C(z) = Kp + Ki z/(z - 1): from I[k] = I[k-1] + Ki e[k], u[k+1] = I[k] + Kp e[k]."""
    z, kp, ki = symbols("z Kp Ki")
    return kp + ki * z / (z - 1)


def window_constants(form: Integration) -> tuple[Expr, Expr]:
    """Kp and Ki of the firmware for kp + ki/s with s replaced as ``form`` says, window W."""
    sympy = _sympy()

    z, kp, ki, w, kp_w, ki_w = symbols("z kp ki W Kp Ki")
    s = {
        "backward": (z - 1) / (w * z),
        "forward": (z - 1) / w,
        "trapezoidal": 2 * (z - 1) / (w * (z + 1)),
    }[form]
    difference = sympy.numer(sympy.together(kp + ki / s - controller()))
    solved = sympy.solve(sympy.Poly(sympy.expand(difference), z).coeffs(), [kp_w, ki_w])
    return sympy.expand(solved[kp_w]), sympy.expand(solved[ki_w])


def open_loop(weights: int = 1) -> Expr:
    """L(z) = C(z) z^-1 g sum h_i z^-i; with one weight, h_0 = 1: the pure delay."""
    z, g = symbols("z g")
    if weights == 1:
        return controller() * g / z
    h = symbols(" ".join(f"h{i}" for i in range(weights)))
    return controller() * g * sum(h[i] * z**-i for i in range(weights)) / z


def characteristic_polynomial(weights: int = 1) -> Expr:
    """Numerator of 1 + L(z) as a monic polynomial in z."""
    sympy = _sympy()

    (z,) = symbols("z")
    return sympy.Poly(sympy.expand(sympy.numer(sympy.together(1 + open_loop(weights)))), z).monic()


def jury_conditions() -> tuple[Expr, ...]:
    """Expressions that must all be above 0 for the pure-delay loop to be stable: P(1), P(-1),
    1 + p0 and 1 - p0 for P = z^2 + p1 z + p0 (Jury; Astrom & Wittenmark ch. 3, from memory)."""
    polynomial = characteristic_polynomial()
    constant = polynomial.eval(0)
    return (
        polynomial.eval(1).expand(),
        polynomial.eval(-1).expand(),
        (1 + constant).expand(),
        (1 - constant).expand(),
    )


def nyquist_transfer() -> Expr:
    """T(-1) = L(-1)/(1 + L(-1)) of the pure-delay loop: what the loop makes of a disturbance of
    the reading whose sign flips every window (zero offset with an odd half-cycle count)."""
    sympy = _sympy()

    (z,) = symbols("z")
    at = open_loop().subs(z, -1)
    return sympy.simplify(at / (1 + at))


def nyquist_margin() -> Expr:
    """1/|L(-1)|: how many times the gain may grow before the pole at z = -1 leaves."""
    sympy = _sympy()

    (z,) = symbols("z")
    return sympy.simplify(-1 / open_loop().subs(z, -1))


def clipped_sine() -> dict[str, Expr]:
    """Fundamental, mean and mean square of ``min(m sin x, 1)`` over a half cycle, m > 1, by
    integration; t = asin(1/m) is where clipping starts."""
    sympy = _sympy()

    m = sympy.Symbol("m", positive=True)
    x, t = sympy.symbols("x t", positive=True)
    quarter = sympy.pi / 2

    def average(below: Any, above: Any) -> Expr:
        whole = sympy.integrate(below, (x, 0, t)) + sympy.integrate(above, (x, t, quarter))
        return sympy.simplify(2 / sympy.pi * whole)

    wave = m * sympy.sin(x)
    return {
        "fundamental": average(2 * wave * sympy.sin(x), 2 * sympy.sin(x)),
        "mean": average(wave, 1),
        "mean_square": average(wave**2, 1),
    }
