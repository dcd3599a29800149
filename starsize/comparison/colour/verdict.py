"""Is there one focus position inside the zone of every colour; which have to be left out if not."""

from collections.abc import Callable, Sequence

import numpy as np

from ..compared import ColourWord
from ..linear import normal_errors

CONFIDENCE = 0.95
DRAWS = 4000
#: Fewer than this many filters left are no set.
_FEWEST = 3


def colour_verdict(
    best_steps: np.ndarray, covariance_steps2: np.ndarray, zone_steps: np.ndarray
) -> ColourWord:
    """Verdict from (k,) best-focus positions, their covariance and zones, in steps, at 95 %."""
    errors = normal_errors(np.asarray(covariance_steps2, float), DRAWS, seed=0)
    return verdict_of_errors(np.asarray(best_steps, float), np.asarray(zone_steps, float), errors)


def verdict_of_errors(
    best_steps: np.ndarray, zone_steps: np.ndarray, errors: np.ndarray, *, zone_share: float = 0.0
) -> ColourWord:
    """Verdict from best-focus positions and (size, k) draws of their errors about zero.

    One position serves all if no two colours are further apart than their zones reach together.
    ``together`` is said if that is shown at 95 % for each pair by itself (an intersection-union
    test, Berger 1982, Technometrics 24, 295), ``apart`` if some pair is too far apart by more than
    the largest of all pairs' errors reaches in 95 % of draws, so that many filters do not make a
    false alarm likelier. ``zone_share`` is the relative standard uncertainty that all zones share.
    """
    i, j = np.triu_indices(len(best_steps), 1)
    reach = zone_steps[i] + zone_steps[j]
    gap = np.abs(best_steps[i] - best_steps[j]) - reach
    doubt = zone_share * reach * np.random.default_rng(1).standard_normal((len(errors), 1))
    error = np.abs(errors[:, i] - errors[:, j] + doubt)
    # Two-sided 90 % is one-sided 95 %.
    if np.all(gap + np.quantile(error, 2 * CONFIDENCE - 1, axis=0) <= 0):
        return "together"
    scale = np.maximum(np.quantile(error, 0.683, axis=0), 1e-12)
    critical = np.quantile(np.max(error / scale, axis=1), CONFIDENCE)
    return "apart" if np.any(gap > critical * scale) else "cannot tell"


def apart(best_steps: np.ndarray, zone_steps: np.ndarray) -> np.ndarray:
    """(k, k) distances of colours, counted in their zones together."""
    return np.abs(best_steps[:, None] - best_steps) / (zone_steps[:, None] + zone_steps)


def binding_pair(best_steps: np.ndarray, zone_steps: np.ndarray) -> tuple[int, int]:
    """The two colours furthest apart as counted in their zones together."""
    i, j = divmod(int(np.argmax(apart(best_steps, zone_steps))), len(best_steps))
    return i, j


def compromise_weights(best_steps: np.ndarray, zone_steps: np.ndarray) -> np.ndarray:
    """(k,) weights that make the compromise position out of the best-focus positions."""
    i, j = binding_pair(best_steps, zone_steps)
    weights = np.zeros(len(best_steps))
    weights[i] += zone_steps[j] / (zone_steps[i] + zone_steps[j])
    weights[j] += zone_steps[i] / (zone_steps[i] + zone_steps[j])
    return weights


def compromise_position(best_steps: np.ndarray, zone_steps: np.ndarray) -> float:
    """Position whose largest defocus, counted in each colour's zone, is smallest."""
    return float(compromise_weights(best_steps, zone_steps) @ best_steps)


def odd_ones_out(
    filters: Sequence[str],
    position_steps: np.ndarray,
    zone_steps: np.ndarray,
    word: Callable[[Sequence[str]], ColourWord],
) -> tuple[tuple[str, ...], float | None]:
    """Leave out the filter furthest from the common position, until the others are together.

    None where that is so from the start, or fewer than three, or not more than left out, remain.
    """
    left, out = list(range(len(filters))), []
    while word([filters[i] for i in left]) != "together":
        bind = [left[k] for k in binding_pair(position_steps[left], zone_steps[left])]
        others = {i: [k for k in left if k != i] for i in bind}
        # Of the two that bind, the one is odd without which the others lie closer together.
        far = min(bind, key=lambda i: apart(position_steps[others[i]], zone_steps[others[i]]).max())
        left = others[far]
        out.append(far)
        if len(left) < max(_FEWEST, len(out) + 1):
            return (), None
    if not out:
        return (), None
    common = compromise_position(position_steps[left], zone_steps[left])
    return tuple(filters[i] for i in sorted(out)), common
