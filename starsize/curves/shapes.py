"""Focus-curve models as plain functions: half-flux radius against focuser position.

Every model is ``floor * g(u)`` with ``u = slope * (position - best) / floor``, the geometric
half-flux radius of defocus in units of the floor; ``slope`` is that of the straight wings. The
models differ in the shape g only.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from .blur_table import USUAL_BETA, shape_polynomial


@dataclass(frozen=True, slots=True)
class Shape:
    """One shape g(u) = hypot(1, u) * polynomial(2 t - 1), t = u^2 / (1 + u^2).

    ``polynomial`` holds the coefficients, highest power first; (1,) is the hyperbola.
    """

    name: str
    polynomial: tuple[float, ...]

    def __call__(self, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return g(u) and its derivative, for an array of any shape."""
        root = np.sqrt(1 + u * u)
        if len(self.polynomial) == 1:
            return root, u / root
        inverse = 1 / root
        ratio, rate = _value_and_slope(self.polynomial, 1 - 2 * inverse * inverse)
        return root * ratio, u * inverse * ratio + rate * 4 * u * inverse**3


def _value_and_slope(polynomial: tuple[float, ...], v: np.ndarray) -> np.ndarray:
    """Value and derivative, (2, ...): all powers by doubling, then one product.

    That takes half of Horner's time, and loses nothing: |v| <= 1 and no coefficient is large.
    """
    count = len(polynomial)
    powers = np.empty((count, v.size))
    powers[0] = 1.0
    powers[1] = v.ravel()
    known = 2
    while known < count:
        more = min(known, count - known)
        np.multiply(powers[:more], powers[known - 1] * powers[1], out=powers[known : known + more])
        known += more
    return (_rising(polynomial) @ powers).reshape(2, *v.shape)


@lru_cache(maxsize=8)
def _rising(polynomial: tuple[float, ...]) -> np.ndarray:
    """Coefficients of a polynomial and of its derivative, lowest power first: (2, n)."""
    both = np.zeros((2, len(polynomial)))
    both[0] = polynomial[::-1]
    both[1, :-1] = np.polyder(np.array(polynomial))[::-1]
    return both


HYPERBOLA = Shape("hyperbola", (1.0,))


def blurred_disc_shape(obstruction: float = 0.0, beta: float = USUAL_BETA) -> Shape:
    """Shape of Moffat seeing blurred by a defocus disc (or annulus)."""
    return Shape("blurred_disc", tuple(shape_polynomial(obstruction, beta)))


def hyperbola(
    position_steps: np.ndarray, best_steps: float, floor_px: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Half-flux radius sqrt(floor^2 + (slope (position - best))^2), pixels, shape as given.

    Exact for blurs whose squared radii add (Gaussians); 2 to 6 % too large near one to two floors
    of defocus for a disc blurred by seeing, see `blurred_disc`.

    Examples
    --------
    >>> hyperbola(np.array([970.0, 1000.0]), 1000.0, 4.0, slope_px_per_step=0.1)
    array([5., 4.])
    """
    # hypot keeps the model non-negative for every trial slope.
    defocus = slope_px_per_step * (np.asarray(position_steps, float) - best_steps)
    return np.hypot(floor_px, defocus)


def blurred_disc(
    position_steps: np.ndarray,
    best_steps: float,
    floor_px: float,
    *,
    slope_px_per_step: float,
    obstruction: float = 0.0,
    beta: float = USUAL_BETA,
) -> np.ndarray:
    """Half-flux radius of Moffat seeing convolved with the defocus disc or annulus, pixels.

    Parameters
    ----------
    position_steps : array_like
    best_steps, floor_px, slope_px_per_step : float
        As in `hyperbola`: the same three parameters, with the same meaning.
    obstruction : float
        Diameter of the central obstruction over that of the aperture, 0 to 0.6.
    beta : float
        Moffat exponent of the seeing: 2.5, 3.5 or 4.765 (Kolmogorov).

    Notes
    -----
    Accuracy: 1e-4 of its own convolution, 0.5 % of GalSim's (tests/curves/test_shapes.py).
    """
    u = slope_px_per_step * (np.asarray(position_steps, float) - best_steps) / floor_px
    return floor_px * blurred_disc_shape(obstruction, beta)(u)[0]


def v_curve(
    position_steps: np.ndarray, best_steps: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Two straight wings that meet at zero: slope |position - best|, pixels. Far from focus only.

    Examples
    --------
    >>> v_curve(np.array([900.0, 1100.0]), 1000.0, slope_px_per_step=0.1)
    array([10., 10.])
    """
    return slope_px_per_step * np.abs(np.asarray(position_steps, float) - best_steps)
