"""Is there one focus position inside the zone of every colour: yes, no, or cannot tell."""

from dataclasses import dataclass

import numpy as np

from .compared import ColourWord

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class ColourVerdict:
    """The word, and the probability that one position serves all."""

    word: ColourWord
    probability: float


def verdict_of_draws(draws: np.ndarray, zone_steps: np.ndarray) -> ColourVerdict:
    """Verdict from random draws of the best-focus positions.

    One position serves all if the intervals position +- zone have a point in common, that is if
    the largest lower end does not exceed the smallest upper end.

    Parameters
    ----------
    draws : (size, k) array
        Draws of the joint distribution of the best focus of k colours, steps.
    zone_steps : (k,) or (size, k) array
        Half-widths of the zones, steps.
    """
    gap = np.max(draws - zone_steps, axis=1) - np.min(draws + zone_steps, axis=1)
    probability = float(np.mean(gap <= 0))
    if probability >= CONFIDENCE:
        return ColourVerdict("together", probability)
    if probability <= 1 - CONFIDENCE:
        return ColourVerdict("apart", probability)
    return ColourVerdict("cannot tell", probability)


def colour_verdict(
    best_steps: np.ndarray, covariance_steps2: np.ndarray, zone_steps: np.ndarray
) -> ColourVerdict:
    """Verdict from best-focus positions and their covariance, at 95 %.

    Parameters
    ----------
    best_steps, zone_steps : (k,) array_like
        Best focus and half-width of the critical focus zone of each colour, steps.
    covariance_steps2 : (k, k) array_like
        Covariance of the positions, steps squared.

    Examples
    --------
    >>> colour_verdict([0, 3, 40], [[1, 0, 0], [0, 1, 0], [0, 0, 1]], [8, 8, 8]).word
    'apart'
    """
    rng = np.random.default_rng(0)
    value, vector = np.linalg.eigh(np.asarray(covariance_steps2, float))
    root = vector * np.sqrt(np.maximum(value, 0.0))
    normal = rng.standard_normal((4000, len(value)))
    return verdict_of_draws(np.asarray(best_steps, float) + normal @ root.T, np.asarray(zone_steps))


def compromise_position(best_steps: np.ndarray, zone_steps: np.ndarray) -> float:
    """Position whose largest defocus, counted in each colour's zone, is smallest.

    Where two colours bind, each is as many of its own zones away as the other:
    p = (z_j b_i + z_i b_j) / (z_i + z_j), and the pair that is furthest apart in that measure
    binds.

    Examples
    --------
    >>> compromise_position([0.0, 10.0, 40.0], [5.0, 5.0, 15.0])
    10.0
    """
    weights = compromise_weights(best_steps, zone_steps)
    return float(weights @ np.asarray(best_steps, float))


def compromise_weights(best_steps: np.ndarray, zone_steps: np.ndarray) -> np.ndarray:
    """(k,) weights that make the compromise position out of the best-focus positions."""
    best, zone = np.asarray(best_steps, float), np.asarray(zone_steps, float)
    together = zone[:, None] + zone
    apart = np.abs(best[:, None] - best) / together
    i, j = np.unravel_index(np.argmax(apart), apart.shape)
    weights = np.zeros(len(best))
    weights[i] += zone[j] / (zone[i] + zone[j])
    weights[j] += zone[i] / (zone[i] + zone[j])
    return weights
