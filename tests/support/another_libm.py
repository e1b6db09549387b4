"""Another machine's libm and LAPACK: the functions of math and numpy, a little off at random.

The standard asks for a right square root only; what sin, exp or log return in the last place
differs from one libm to the next, as do the order and the last places of eigenvalues. Seeded.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

ULP = 2.0**-52

MATH = (
    *("sin", "cos", "tan", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh"),
    *("exp", "expm1", "log", "log2", "log10", "log1p", "pow", "sqrt", "hypot", "dist"),
)
NUMPY = (
    *("sin", "cos", "tan", "arcsin", "arccos", "arctan", "arctan2", "exp", "expm1", "log"),
    *("log10", "sqrt", "hypot", "angle", "geomspace", "einsum"),
)


def install(patch: pytest.MonkeyPatch, seed: int, size: float = ULP) -> list[int]:
    """Replace the functions until ``patch`` is undone. Results move by -1, 0 or 1 times ``size``,
    relative. Returns a list whose one item counts the results that moved."""
    rng = np.random.default_rng(seed)
    moved = [0]

    def off(value: Any) -> Any:
        """``value``, moved; a complex one in both parts."""
        if np.iscomplexobj(value):
            return off(np.real(value)) + 1j * off(np.imag(value))
        shift = rng.integers(-1, 2, size=np.shape(value))
        moved[0] += int(np.count_nonzero(shift))
        return value * (1.0 + size * shift)

    def wrapped(function: Callable[..., Any]) -> Callable[..., Any]:
        def other(*arguments: Any, **options: Any) -> Any:
            result = off(function(*arguments, **options))
            return result if isinstance(result, np.ndarray) else result[()]

        return other

    def scalar(function: Callable[..., float]) -> Callable[..., float]:
        return lambda *arguments: float(off(function(*arguments)))

    for name in MATH:
        patch.setattr(math, name, scalar(getattr(math, name)))
    for name in NUMPY:
        patch.setattr(np, name, wrapped(getattr(np, name)))

    absolute, solve = np.abs, np.linalg.solve
    eig, eigvals = np.linalg.eig, np.linalg.eigvals

    def other_abs(value: Any, *arguments: Any, **options: Any) -> Any:
        result = absolute(value, *arguments, **options)
        return off(result) if np.iscomplexobj(value) else result

    def other_eig(matrices: Any) -> Any:
        poles, vectors = eig(matrices)
        order = rng.permutation(poles.shape[-1])
        return off(poles[..., order]), off(vectors[..., order])

    patch.setattr(np, "abs", other_abs)
    patch.setattr(np.linalg, "solve", lambda a, b: off(solve(a, b)))
    patch.setattr(np.linalg, "eig", other_eig)
    patch.setattr(np.linalg, "eigvals", lambda a: off(eigvals(a)))
    return moved
