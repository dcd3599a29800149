"""What frames that nobody has taken yet would tell: the covariance of best foci at a design.

It is that of the fit (`statistics`, `night`, `search`) at the likeliest quantities of a telescope
whose lens has the colour stated, every frame sound with the probability that is usual, jitter and
lack as expected:

    C = L (P + sum of w g g')^-1 L'

over the frames, g the derivatives of a radius by all quantities, w its weight, P the precision of
the priors, L how best focus answers to the quantities. Beside the shared quantities a sweep has
three of its own, and sweeps of one filter are alike; so what one frame of a filter would tell is
computed once, for every place where it might be taken, and any night is a sum of such parts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..filters import Band
from .curve import focus_curve
from .night import COLOUR, FIRST, LOG_SLOPE, ZERO, Known, Night, build_night
from .posterior import best_focus
from .search import variance_of
from .statistics import PRIORS, believe

OWN = 3
"""Quantities of a sweep of its own, behind the `FIRST` shared ones."""
STAR_NOISE_POWER = 0.45
"""The star noise of a frame in pixels grows with this power of the radius: of drawn frames 0.15 to
0.7, mostly 0.4 to 0.5 (scripts/results/plan.md). Little hangs on it: 0.3 makes an offset's part
from the frames 4 % smaller."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is expected of telescope (all of it known), sky and frames."""

    telescope: Known
    floor_px: float
    """Smallest half-flux radius through the first filter."""
    star_noise: Mapping[str, float]
    """By filter, the star noise of a frame in focus over its radius."""
    bands: Mapping[str, Band] = field(default_factory=dict)
    colour_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Of the lens, in the terms of `optics.star.colour_terms`; outward is positive."""
    jitter: float = PRIORS.jitter
    lack: float = PRIORS.lack


@dataclass(frozen=True, slots=True, eq=False)
class FilterDesign:
    """What frames of one filter would tell, at k places about best focus."""

    radius_px: np.ndarray
    weight: np.ndarray
    slopes: np.ndarray
    """Derivatives of the radius by the q shared and own quantities: (k, q)."""
    prior: np.ndarray
    """Precision that one sweep of it brings along: (q, q)."""
    lever: np.ndarray
    """How best focus of a sweep answers to the quantities: (q,)."""

    def told(self, count: np.ndarray) -> np.ndarray:
        """Precision (q, q) of a sweep with so many frames (k,) at each place."""
        on = count > 0
        rows = self.slopes[on]
        return self.prior + rows.T @ ((count * self.weight)[on, None] * rows)


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """What frames through several filters would tell, at places counted from best focus."""

    away_steps: np.ndarray
    filters: dict[str, FilterDesign]
    shared: np.ndarray
    """Precision of the shared quantities before any sweep."""

    def covariance(self, sweeps: Sequence[tuple[str, np.ndarray]]) -> np.ndarray:
        """Of the best foci, (m, m): ``sweeps`` are filters, and how many frames at each place."""
        common = self.shared.shape[0]
        size = common + OWN * len(sweeps)
        normal, lever = np.zeros((size, size)), np.zeros((len(sweeps), size))
        normal[:common, :common] = self.shared
        told: dict[tuple[str, bytes], np.ndarray] = {}
        for s, (name, count) in enumerate(sweeps):
            at = np.r_[:common, common + OWN * s : common + OWN * (s + 1)]
            key = (name, count.tobytes())
            if key not in told:
                told[key] = self.filters[name].told(count)
            normal[np.ix_(at, at)] += told[key]
            lever[s, at] = self.filters[name].lever
        scale = 1 / np.sqrt(np.diag(normal))
        known = np.linalg.inv(normal * np.outer(scale, scale)) * np.outer(scale, scale)
        return lever @ known @ lever.T


def design_of(filters: Sequence[str], away_steps: np.ndarray, *, outlook: Outlook) -> Design:
    """Compute what frames through these filters, each named once, would tell.

    ``away_steps`` are places where frames may be taken, 0 among them. ValueError where step size,
    focal ratio or pixel are not known, or no seeing makes stars as small as ``floor_px``.
    """
    slope = outlook.telescope.slope_px_per_step
    if slope is None:
        msg = "'outlook.telescope' must state focal ratio, pixel and step size"
        raise ValueError(msg)
    away = np.asarray(away_steps, float)
    night = _night(filters, away, slope, outlook)
    values = _values(night, slope, outlook)
    sizes = night.sizes(values)
    first = sizes.radius.reshape(len(filters), -1)[0].min()
    noise = np.repeat([outlook.star_noise[name] for name in filters], away.size) * first
    noise = noise * (sizes.radius / first) ** STAR_NOISE_POWER
    night = replace(night, sigma_px=noise)
    variance = variance_of(night, sizes, jitter=outlook.jitter, lack=outlook.lack)
    weight = believe(np.zeros_like(noise), variance.sound, wild=variance.wild).weight
    slopes = night.slopes(values, sizes)
    levers = best_focus(night, values)[1]
    precision = night.prior.normal(values)[0]
    return Design(
        away_steps=away,
        filters={
            name: FilterDesign(
                radius_px=sizes.radius[rows],
                weight=weight[rows],
                slopes=slopes[rows][:, _columns(row)],
                prior=np.diag(np.r_[np.zeros(FIRST), precision[_columns(row)[FIRST:]]]),
                lever=levers[row, _columns(row)],
            )
            for row, name in enumerate(filters)
            for rows in [night.sweep == row]
        },
        shared=np.diag(precision[:FIRST]),
    )


def _columns(row: int) -> np.ndarray:
    return np.r_[:FIRST, FIRST + OWN * row : FIRST + OWN * (row + 1)]


def _night(filters: Sequence[str], away: np.ndarray, slope: float, outlook: Outlook) -> Night:
    """One sweep of each filter with a frame at every place; of the radii only their size counts."""
    share = np.sqrt((1 + outlook.telescope.obstruction**2) / 2)
    radius = np.hypot(outlook.floor_px, slope * share * away)
    curves = [focus_curve(away, radius, 0.0, id=name, filter=name) for name in filters]
    used = [np.ones(away.size, bool)] * len(curves)
    return build_night(curves, used, known=outlook.telescope, bands=outlook.bands)


def _values(night: Night, slope: float, outlook: Outlook) -> np.ndarray:
    """Quantities of the telescope, best foci at 0, in the seeing that makes the floor as asked."""
    values = night.start.copy()
    values[LOG_SLOPE] = np.log(slope)
    values[ZERO], values[FIRST::OWN] = 0.0, 0.0
    values[COLOUR] = np.array(outlook.colour_um) * night.telescope.blur_px_per_um
    _set_seeing(night, values, outlook.floor_px)
    if any(outlook.colour_um):
        # Where best focus lies depends on the seeing a little, and so does the smallest star.
        for _ in range(2):
            values[FIRST::OWN] -= best_focus(night, values)[0]
            _set_seeing(night, values, outlook.floor_px)
    return values


def _set_seeing(night: Night, values: np.ndarray, floor_px: float) -> None:
    """Change ``values`` to the seeing that makes stars of the first filter ``floor_px`` at 0."""
    values[FIRST + 1 :: OWN] = values[FIRST + 1]
    sharp = night.at(np.zeros(1), np.zeros(1, int))
    for _ in range(12):
        sizes = sharp.sizes(values)
        miss = floor_px - float(sizes.radius[0])
        move = np.clip(miss / max(float(sizes.by_log_seeing[0]), 1e-6), -0.7, 0.7)
        values[FIRST + 1 :: OWN] += move
    if abs(miss) > 0.02 * floor_px:
        least = float(sizes.radius[0])
        msg = f"no star of this telescope is as small as {floor_px:.2f} px; it is at least "
        msg += f"{least:.2f} px wide"
        raise ValueError(msg)
