"""From the mixture of fits to the numbers of one sweep."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from .batch import JITTERS
from .family import BEND, LINE, Family
from .fitted import ModelName
from .joint import COMPANY, Joint
from .mixture import (
    SIGMA1,
    SIGMA2,
    central_interval,
    central_value,
    matching_dof,
    normalised,
    outside,
    quantile,
)
from .posterior import Posterior
from .prediction import pack_shape

BEYOND = 0.001
"""Tail in which best focus may still lie: the bound handed on when a sweep is refused."""

SURE = 0.5
HEAVIEST_TAIL = 2.77
"""Ratio of the 95.4 to the 68.3 % interval of Student's t with 3 degrees of freedom."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Numbers of one sweep, before anyone judges them; positions in steps, radii in pixels.

    ``suspicion`` is, per frame, the probability that it is wrecked; ``below`` and ``above`` those
    that best focus lies before the first or after the last position.
    """

    best_steps: float
    best_sigma_steps: float
    dof: float
    interval68_steps: tuple[float, float]
    interval95_steps: tuple[float, float]
    bound_steps: tuple[float, float]
    below: float
    above: float
    floor_px: Estimate
    slope_px_per_step: Estimate
    jitter: float
    chi2_reduced: float
    suspicion: np.ndarray
    model: ModelName
    hyperbola_steps: Estimate
    asymmetry: float
    shape: tuple[float, ...]
    """What ``CurveFit.shape`` is to hold."""
    reach: tuple[float, float]
    """Defocus at the two ends in units of the floor: how far each wing is followed."""


def summarise(joint: Joint, row: int, *, obstruction: float) -> Summary:
    """Read one sweep off the mixture."""
    posterior, families = joint.posterior, joint.families
    half, middle = joint.batch.half[row], joint.batch.middle[row]
    weight = joint.weight[row]
    centre = posterior.best[row]
    sigma = posterior.best_sigma[row]

    def steps(scaled: float | np.ndarray) -> float:
        return float(middle + half * scaled)

    def at(probability: float) -> float:
        return steps(quantile(weight, centre, sigma, probability=probability))

    below, above = outside(weight, centre, sigma, low=-1.0, high=1.0)
    inner = central_interval(weight, centre, sigma, coverage=SIGMA1)
    # Where a needle and a wide part compete, never outside the interval that is stated with it.
    best = float(np.clip(_middle(joint, weight, centre, sigma=sigma), *inner))
    low68, high68 = (steps(v) for v in inner)
    low95, high95 = (steps(v) for v in central_interval(weight, centre, sigma, coverage=SIGMA2))
    floor = _average(weight, np.log(posterior.floor[row]), posterior, row)
    slope = _exponential(weight, posterior, row, 2)
    used = joint.batch.present[row].sum()
    bad = (weight[:, None] * posterior.suspect[row]).sum(axis=0)
    freedom = max(used - (bad > 0.5).sum() - 3, 1)
    share = np.array([weight[posterior.family == i].sum() for i in range(len(families))])
    names = np.array([family.name for family in families])
    odd = names == "asymmetric"
    asymmetry = float(share[odd].sum())
    # Families of one name count together, then the heaviest of them is drawn.
    total = (share * (names[:, None] == names)).sum(axis=1)
    leading = names == names[np.argmax(np.where(odd == (asymmetry > SURE), total, -1.0))]
    drawn = int(np.argmax(np.where(leading, share, -1.0)))
    model = families[drawn].name
    parameters = _typical(joint, row, drawn)
    return Summary(
        best_steps=steps(best),
        # Where two readings of the curve compete, the inner two thirds would hide the other one.
        best_sigma_steps=max(high68 - low68, (high95 - low95) / HEAVIEST_TAIL) / 2,
        dof=float(matching_dof(np.array(high68 - low68), np.array(high95 - low95))),
        interval68_steps=(low68, high68),
        interval95_steps=(low95, high95),
        bound_steps=(at(BEYOND), at(1 - BEYOND)),
        below=float(below),
        above=float(above),
        floor_px=floor,
        slope_px_per_step=Estimate(slope.value / half, slope.sigma / half),
        jitter=float(np.exp((weight * np.log(JITTERS[posterior.jitter])).sum())),
        chi2_reduced=float((weight * posterior.chi2[row]).sum() / freedom),
        suspicion=bad,
        model=model,
        asymmetry=asymmetry,
        shape=pack_shape(obstruction, parameters, model=model, best_steps=steps(best)),
        hyperbola_steps=_hyperbola_alone(joint, row, families),
        reach=(
            float((1 + best) * slope.value / floor.value),
            float((1 - best) * slope.value / floor.value),
        ),
    )


def _middle(
    joint: Joint, weight: np.ndarray, centre: np.ndarray, *, sigma: np.ndarray
) -> np.ndarray:
    """Where the answer is read off the mixture: the mean, if others tell how restless the air is.

    A sweep alone hardly knows; there a wreck read as restless air would drag the mean far off.
    """
    if joint.batch.half.size > COMPANY:
        return (weight * centre).sum()
    return central_value(weight, centre, sigma)


def _moments(weight: np.ndarray, value: np.ndarray, sigma: np.ndarray) -> tuple[float, float]:
    mean = float((weight * value).sum())
    return mean, float(np.sqrt((weight * (sigma**2 + (value - mean) ** 2)).sum()))


def _exponential(weight: np.ndarray, posterior: Posterior, row: int, index: int) -> Estimate:
    value = posterior.parameters[row, :, index]
    sigma = np.sqrt(posterior.covariance[row, :, index, index])
    mean, spread = _moments(weight, value, sigma)
    return Estimate(float(np.exp(mean)), float(np.exp(mean) * spread))


def _average(weight: np.ndarray, log_floor: np.ndarray, posterior: Posterior, row: int) -> Estimate:
    """Smallest radius; its relative uncertainty is that of the floor parameter."""
    sigma = np.sqrt(posterior.covariance[row, :, 1, 1])
    mean, spread = _moments(weight, log_floor, sigma)
    return Estimate(float(np.exp(mean)), float(np.exp(mean) * spread))


def _typical(joint: Joint, row: int, family: int) -> np.ndarray:
    """Mean parameters of the heaviest half of one family, in px and steps: (8,).

    Two bands bent or spread to either side must not be averaged, so only the heaviest's own sides
    count.
    """
    posterior = joint.posterior
    weight = joint.weight[row] * (posterior.family == family)
    found = posterior.parameters[row]
    sides = found[:, LINE : BEND + 1]
    weight = weight * (sides * sides[weight.argmax()] >= 0).all(axis=1)
    mean = (weight[:, None] * found).sum(axis=0) / weight.sum()
    half, middle = joint.batch.half[row], joint.batch.middle[row]
    mean[0] = middle + half * mean[0]
    mean[2] -= np.log(half)
    return mean


def _hyperbola_alone(joint: Joint, row: int, families: Sequence[Family]) -> Estimate:
    """Best focus by the plain hyperbola alone."""
    posterior = joint.posterior
    for i, family in enumerate(families):
        if family.name == "hyperbola":
            mine = posterior.family == i
            weight = normalised(np.log(joint.weight[row, mine] + 1e-300))
            vertex = posterior.parameters[row, mine, 0]
            sigma = np.sqrt(posterior.covariance[row, mine, 0, 0])
            _, spread = _moments(weight, vertex, sigma)
            best = float(_middle(joint, weight, vertex, sigma=sigma))
            half = joint.batch.half[row]
            return Estimate(float(joint.batch.middle[row] + half * best), float(half * spread))
    return NOT_KNOWN
