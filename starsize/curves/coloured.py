"""What the sweeps of one telescope say together about its colours.

Two states of a telescope, straight and coloured, make a sweep asymmetric with different odds. In a
coloured one a filter is the more likely to be so the wider its stars are than those of the sharpest
filter, for the seeing is much the same for all; and the light of all its filters trails off to the
same side, mostly, for the colours in its middle focus at one end of all foci.
"""

from typing import NamedTuple

import numpy as np

from .posterior import Posterior, heaviest

COLOURED = 0.1
COLOURED_ALONE = 0.002
"""Chance that a telescope is coloured, before looking; the second where one sweep must decide,
for then a wrecked frame at its end is the likelier reason."""
ODD_IF_STRAIGHT = 0.001
ODD_IF_COLOURED = 0.6
"""Chance that a sweep is asymmetric, in either state, before looking at its floor."""
LOUDEST = 5.0
"""One sweep may not speak louder than this (ln of a Bayes factor) about the others."""
FLOORS_IF_STRAIGHT = 0.12
FLOORS_IF_COLOURED = 0.6
"""Scatter of ln floor between sweeps (half-normal): colour widens the stars of some filters."""
SAME_SIDE = 0.9
"""Chance that a filter of a coloured telescope trails off to the side of the others."""
HIDDEN_SHIFT, HIDDEN_SCATTER = 0.09, 0.08
"""Part of its colours' blur by which best focus is off, to the side of the others, where a filter's
curve looks plain, and the scatter of that: 0.06 to 0.19 in the G and R of simulated achromats."""
FOLLOWED_SCATTER = 0.10
"""The same scatter where a curve follows the colours. The edges of the band, hard or faded, and
spherical aberration move the dip by about 0.1 with hardly a trace in the curve."""
SHARPEST_LEAST, SHARPEST_MOST = 0.93, 1.05
"""Bounds of a filter's floor without its colours, over the sharpest filter's: that one has colours
too; and seeing and diffraction differ from filter to filter."""


class Before(NamedTuple):
    """Chance of asymmetry by a sweep's place among the others, before its own data: (k,).

    ``coloured`` (k,) is the chance that the telescope is coloured, after all data.
    """

    odd: np.ndarray
    coloured: np.ndarray


def hint_of_floors(scatter: float | None) -> float:
    """Ln of the Bayes factor for a coloured telescope from the scatter of ln floor."""
    return 0.0 if scatter is None else float(np.clip(_wider(scatter), -LOUDEST, LOUDEST))


def odd_if_coloured(plain: Posterior, *, together: bool) -> np.ndarray:
    """Chance that each sweep is asymmetric if the telescope is coloured, from its floor: (k,)."""
    log_floor = plain.parameters[heaviest(plain)][:, 1]
    if not together or log_floor.size < 3:
        return np.full(log_floor.size, ODD_IF_COLOURED)
    gain = np.clip(_wider(log_floor - log_floor.min()), -LOUDEST, LOUDEST)
    odds = ODD_IF_COLOURED / (1 - ODD_IF_COLOURED) * np.exp(gain)
    return odds / (1 + odds)


def before_looking(
    log_ratio: np.ndarray, odd: np.ndarray, *, hint: float, together: bool
) -> Before:
    """Weigh both states of the telescope.

    Parameters
    ----------
    log_ratio : (k,) array
        Ln of the evidence for an asymmetric curve over that for a plain one.
    odd : (k,) array
        See `odd_if_coloured`.
    """
    heard = np.minimum(log_ratio, LOUDEST)
    own = _saying(odd, heard) - _saying(np.full_like(odd, ODD_IF_STRAIGHT), heard)
    others = own.sum() - own if together else np.zeros_like(own)
    start = COLOURED if together and log_ratio.size > 2 else COLOURED_ALONE
    said = np.log(start / (1 - start)) + hint + others
    share = _chance(said)
    return Before(ODD_IF_STRAIGHT + (odd - ODD_IF_STRAIGHT) * share, _chance(said + own))


def _saying(odd: np.ndarray, heard: np.ndarray) -> np.ndarray:
    return np.logaddexp(np.log(odd) + heard, np.log(1 - odd))


def _chance(log_odds: np.ndarray) -> np.ndarray:
    return 1 / (1 + np.exp(-np.clip(log_odds, -500, 500)))


def upward(plain: np.ndarray, up: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Chance, by the other sweeps, that asymmetry moves best focus to higher positions: (k,).

    Parameters
    ----------
    plain, up, down : (k,) arrays
        Ln evidence, prior odds in, of a plain curve and of curves that move it up or down.
    """
    same, other = np.log(2 * SAME_SIDE), np.log(2 - 2 * SAME_SIDE)
    for_up = np.logaddexp.reduce([plain, up + same, down + other])
    for_down = np.logaddexp.reduce([plain, up + other, down + same])
    own = np.clip(for_up - for_down, -LOUDEST, LOUDEST)
    return _chance(own.sum() - own)


def side_weight(chance: np.ndarray) -> np.ndarray:
    """Ln of the factor for curves that trail to a side which has this chance by the others."""
    return np.log(2 * (SAME_SIDE * chance + (1 - SAME_SIDE) * (1 - chance)))


def colour_blur(plain: Posterior, *, sharpest: float) -> np.ndarray:
    """Defocus that blurs as the colours of each filter do, scaled like x: (k,).

    It is what a filter's floor exceeds ``sharpest`` times the sharpest filter's by, in squares.
    """
    floor, slope = np.exp(plain.parameters[heaviest(plain)][:, 1:3]).T
    return np.sqrt(np.maximum(floor**2 - (sharpest * floor.min()) ** 2, 0)) / slope


def _wider(excess: float | np.ndarray) -> float | np.ndarray:
    """Ln of the Bayes factor for colour against seeing, by how much ln floor exceeds."""
    wide, narrow = FLOORS_IF_COLOURED, FLOORS_IF_STRAIGHT
    return 0.5 * excess**2 * (1 / narrow**2 - 1 / wide**2) - np.log(wide / narrow)
