"""The shape of the blurred-disc curve, from a table made offline by ``make_blur_table.py``."""

from functools import lru_cache
from importlib import resources

import numpy as np
from numpy.polynomial import chebyshev

USUAL_BETA = 3.5
"""Moffat exponent of seeing taken where nothing better is known (common practice: 2.5 to 4.8)."""
LARGEST_OBSTRUCTION = 0.6


@lru_cache(maxsize=1)
def _table() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    source = resources.files(__package__) / "blur_table.npz"
    with source.open("rb") as stream, np.load(stream) as stored:
        return stored["betas"], stored["obstructions"], stored["coefficients"]


@lru_cache(maxsize=64)
def shape_polynomial(obstruction: float, beta: float) -> np.ndarray:
    """Coefficients, highest power first, of HFR / hypot(floor, geometric) in v = 2 t - 1.

    t = u^2 / (1 + u^2), u the geometric half-flux radius over the floor. Between the tabulated
    obstructions the ratio is even and smooth: one polynomial in e^2 through all of them.

    Raises
    ------
    ValueError
        If the obstruction is negative or above 0.6, or ``beta`` is not one of the tabulated.
    """
    betas, obstructions, table = _table()
    if not 0 <= obstruction <= LARGEST_OBSTRUCTION:
        msg = f"'obstruction' must lie in [0, {LARGEST_OBSTRUCTION}], got {obstruction}"
        raise ValueError(msg)
    match = np.flatnonzero(np.isclose(betas, beta))
    if match.size == 0:
        msg = f"'beta' must be one of {', '.join(f'{b:g}' for b in betas)}, got {beta}"
        raise ValueError(msg)
    knots = obstructions**2
    others = [np.delete(knots, i) for i in range(knots.size)]
    weights = np.array(
        [
            np.prod((obstruction**2 - rest) / (knot - rest))
            for knot, rest in zip(knots, others, strict=True)
        ]
    )
    mixed = np.tensordot(weights, table[match[0]], axes=1)
    return np.ascontiguousarray(chebyshev.cheb2poly(mixed)[::-1])
