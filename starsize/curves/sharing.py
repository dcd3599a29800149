"""What sweeps of one telescope have in common: wing slope, floor and jitter of the seeing."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from .batch import JITTERS
from .family import DROOP, Family
from .gauss_newton import FLAT
from .mixture import normalised
from .posterior import Posterior

LEAST_SLOPE_SPREAD = 0.004
"""Slopes differ a little with wavelength, for diffraction bends the curve: this share at least."""
LEAST_FLOOR_SPREAD = 0.10
LEAST_DROOP_SPREAD = 0.03
"""So do the wings' shortfalls, for diffraction grows with wavelength, and floors differ."""
SAME_SHAPE = 0.9
"""Chance that a sweep follows the shape of curve that its telescope shows in the others."""
LEAST_TOLD = 0.1
"""Data that know the droop by less than this, in precisions of what was known before, are mute."""
JITTER_SPREAD = 0.3
"""Scatter of ln jitter from sweep to sweep."""
DISAGREE = 3.5
"""A slope this many sigma from the others is not theirs."""
OWN_SPREAD = 0.3
"""What the others say, loosely (1 sigma of the ln), about a sweep that is not one of them."""
RESTLESS, WILD = 0.07, 0.45
"""The prior of the jitter is flat in its ln well below the first, for the seeing of a calm night is
known to a factor only, about flat in the jitter itself above, and fades towards the second, for
frames that scatter so much are spoiled ones."""
STEADIER = 4.0
"""Weight of the least jitter, which stands for all below it too. This and the others were chosen so
that intervals cover what they say, whatever the jitter (scripts/precision.py)."""


@dataclass(frozen=True, slots=True)
class Pool:
    """A quantity that sweeps share: each one's prior from the others, and who takes part.

    ``mean`` and ``precision`` are (k,), loose for one that is not a member; ``FLAT`` where there is
    nothing to share. ``tight`` is the precision as if all were members. ``overall`` is the pooled
    value; ``scatter`` that of all usable values, members or not.
    """

    mean: np.ndarray
    precision: np.ndarray
    tight: np.ndarray
    member: np.ndarray
    overall: Estimate
    scatter: float


def nothing_shared(sweeps: int) -> Pool:
    """Each of the sweeps stands alone."""
    flat = np.full(sweeps, FLAT)
    return Pool(np.zeros(sweeps), flat, flat, np.zeros(sweeps, bool), NOT_KNOWN, 0.0)


def pool(value: np.ndarray, sigma: np.ndarray, *, least_spread: float, usable: np.ndarray) -> Pool:
    """Inverse-variance pool with a scatter of its own; who disagrees is put out, worst first.

    The scatter is the moment estimate of DerSimonian & Laird 1986, Controlled Clinical Trials 7,
    177 (from memory). Each prior leaves its own sweep out, so that no datum counts twice.
    """
    member = usable & np.isfinite(value) & np.isfinite(sigma)
    scatter = _scatter(value[member], sigma[member], 1e-3) if member.sum() > 2 else 0.0
    while member.sum() >= 3:
        away = np.array(
            [_distance(value, sigma, least_spread, member, i) for i in range(value.size)]
        )
        if away.max() < DISAGREE:
            break
        member = member & (np.arange(value.size) != away.argmax())
    if member.sum() < 2:
        return nothing_shared(value.size)
    spread = max(least_spread, _scatter(value[member], sigma[member], least_spread))
    mean, variance = _without_self(value, sigma, spread, member)
    weight = member / (sigma**2 + spread**2)
    overall = Estimate(
        float((weight * np.where(member, value, 0)).sum() / weight.sum()),
        float(1 / np.sqrt(weight.sum())),
    )
    tight = 1 / (variance + spread**2)
    loose = 1 / (variance + OWN_SPREAD**2)
    precision = np.where(member | ~usable, tight, np.minimum(tight, loose))
    return Pool(mean, precision, tight, member, overall, scatter)


def _distance(
    value: np.ndarray, sigma: np.ndarray, least: float, member: np.ndarray, index: int
) -> float:
    """How many sigma one member lies from the mean of the others, by the others' own scatter."""
    others = member & (np.arange(value.size) != index)
    if not member[index]:
        return 0.0
    spread = max(least, _scatter(value[others], sigma[others], least))
    weight = 1 / (sigma[others] ** 2 + spread**2)
    mean = (weight * value[others]).sum() / weight.sum()
    return float(
        abs(value[index] - mean) / np.sqrt(sigma[index] ** 2 + spread**2 + 1 / weight.sum())
    )


def _scatter(value: np.ndarray, sigma: np.ndarray, least: float) -> float:
    weight = 1 / (sigma**2 + least**2)
    mean = (weight * value).sum() / weight.sum()
    excess = (weight * (value - mean) ** 2).sum() - (value.size - 1)
    scale = weight.sum() - (weight**2).sum() / weight.sum()
    return float(np.sqrt(max(excess / scale, 0.0) + least**2)) if excess > 0 else least


def _without_self(
    value: np.ndarray, sigma: np.ndarray, spread: float, member: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the other members and its variance."""
    weight = np.where(member, 1 / (sigma**2 + spread**2), 0.0)
    rest = np.maximum(weight.sum() - weight, 1e-300)
    weighted = np.where(member, weight * value, 0.0)
    return (weighted.sum() - weighted) / rest, 1 / rest


def droop_alone(posterior: Posterior, weight: np.ndarray, family: Family) -> tuple[np.ndarray, ...]:
    """Droop and its sigma as each sweep's own data have it, and whether they say anything: (k,).

    ``family``, the first of the mixture, has it drawn to zero; that is taken out again.
    """
    mine = (posterior.family == 0) * weight
    value, variance = moments(
        mine / mine.sum(axis=-1, keepdims=True),
        posterior.parameters[..., DROOP],
        posterior.covariance[..., DROOP, DROOP],
    )
    precision = 1 / variance - 1 / family.droop**2
    tells = precision > LEAST_TOLD / family.droop**2
    precision = np.where(tells, precision, 1.0)
    return value / (variance * precision), 1 / np.sqrt(precision), tells


def shared_shape(
    posterior: Posterior, log_weight: np.ndarray, families: Sequence[Family]
) -> np.ndarray:
    """Ln of the factor on the weight of each family in each sweep, by what the others say: (k, f).

    ``log_weight`` is (k, c), the weights that each sweep gives alone.
    """
    before = np.array([family.weight for family in families])
    of_family = np.arange(before.size)[:, None] == posterior.family
    total = np.logaddexp.reduce(log_weight, axis=1)
    says = np.stack(
        [np.logaddexp.reduce(log_weight[:, mine], axis=1) - total for mine in of_family], axis=1
    )
    # A family's evidence over that of all families, before their own weights.
    heard = np.log(SAME_SHAPE * np.exp(says) * before.sum() / before + 1 - SAME_SHAPE)
    others = heard.sum(axis=0) - heard
    others -= np.logaddexp.reduce(others + np.log(before / before.sum()), axis=1)[:, None]
    return others


def weigh_jitter(posterior: Posterior, *, together: bool) -> np.ndarray:
    """Log weights (k, c) with the jitter's prior in.

    ``together``: the jitters of the sweeps scatter by ``JITTER_SPREAD`` about one that all of them
    determine; each sweep's own evidence counts once. Else each sweep stands alone.
    """
    own = posterior.log_weight
    prior = np.log1p(JITTERS / RESTLESS) - (JITTERS / WILD) ** 2
    prior[0] += np.log(STEADIER)
    if not together or own.shape[0] == 1:
        return own + prior[posterior.jitter]
    levels = JITTERS.size
    by_level = np.stack(
        [np.logaddexp.reduce(own[:, posterior.jitter == j], axis=1) for j in range(levels)], axis=1
    )
    gap = (np.log(JITTERS)[:, None] - np.log(JITTERS)) / JITTER_SPREAD
    kernel = np.log(normalised(-0.5 * gap**2))  # (common, own): rows add to one
    joined = np.logaddexp.reduce(kernel[None] + by_level[:, None], axis=2)
    others = joined.sum(axis=0) + prior - joined
    told = np.logaddexp.reduce(others[:, :, None] + kernel[None], axis=1)
    return own + told[:, posterior.jitter]


def moments(
    weight: np.ndarray, value: np.ndarray, variance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of a mixture, (k, c) to (k,)."""
    mean = (weight * value).sum(axis=-1)
    return mean, (weight * (variance + (value - mean[..., None]) ** 2)).sum(axis=-1)
