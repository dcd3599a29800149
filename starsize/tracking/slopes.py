"""How the radius of the stars changes over one frame: what a tilted or curved field makes of it."""

import numpy as np

from ..photometry import Stars

#: Fewest stars that tell (common practice: at least 15 a chip), and rounds of weighing.
_LEAST, _ROUNDS = 24, 5
#: Stars of a frame differ by so much at least, and beyond so many sigmas they count less.
_SCATTER, _HUBER = 0.02, 2.0

Three = tuple[float, float, float]


def field_slopes(stars: Stars, shape: tuple[int, int]) -> tuple[Three, Three] | None:
    """Slopes of ln radius over a frame, and their uncertainties; None where the stars are too few.

    Along u and v, from -1 to 1 across the frame, and along w, the squared distance from the centre,
    1 in the corners (as ``comparison.field`` has them). ``shape`` is (rows, columns). Stars that
    are odd count less (Huber).
    """
    good = (stars.flags == 0) & (stars.radius > 0) & (stars.radius_sigma > 0)
    if good.sum() < _LEAST:
        return None
    log = np.log(stars.radius[good])
    own = (stars.radius_sigma[good] / stars.radius[good]) ** 2
    rows, columns = shape
    x, y = stars.x[good] - (columns - 1) / 2, stars.y[good] - (rows - 1) / 2
    corner2 = (rows**2 + columns**2) / 4
    design = np.column_stack([np.ones(x.size), 2 * x / columns, 2 * y / rows,
                              (x**2 + y**2) / corner2])  # fmt: skip
    variance, pull = own + _SCATTER**2, np.ones(x.size)
    for _ in range(_ROUNDS):
        weight = pull / variance
        inner = design.T @ (design * weight[:, None])
        if np.linalg.cond(inner) > 1e6:
            return None
        value = np.linalg.solve(inner, design.T @ (weight * log))
        left = log - design @ value
        # 0.455 is the median of chi-square of one degree of freedom.
        more = max(float(np.median(left**2) / 0.455 - np.median(own)), _SCATTER**2)
        variance = own + more
        pull = np.minimum(1.0, _HUBER * np.sqrt(variance) / np.maximum(np.abs(left), 1e-12))
    sigma = np.sqrt(np.diag(np.linalg.inv(inner)))
    _, *slopes = map(float, value)
    _, *sigmas = map(float, sigma)
    return (slopes[0], slopes[1], slopes[2]), (sigmas[0], sigmas[1], sigmas[2])
