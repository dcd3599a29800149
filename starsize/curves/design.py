"""What frames that nobody has taken yet would tell: the covariance of best foci at a design.

It is that of the fit (`statistics`, `night`, `search`) at the likeliest quantities of a telescope
whose lens has the colour stated, every frame sound with the probability that is usual, jitter and
lack as expected:

    C = L (P + sum of G' V^-1 G)^-1 L'

over the frames, G the derivatives of both radii of a frame by all quantities, V their covariance, P
the precision of the priors, L how best focus answers to the quantities. Beside the shared
quantities a sweep has three of its own, and sweeps of one filter are alike; so what one frame of a
filter would tell is computed once, for every place where it might be taken, and any night is a sum
of such parts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..filters import Band
from .curve import INNER, FocusCurve, focus_curve, inner_radii
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
    slopes: np.ndarray
    """Derivatives of both radii by the q shared and own quantities, whitened: (k, 2, q)."""
    prior: np.ndarray
    """Precision that one sweep of it brings along: (q, q)."""
    lever: np.ndarray
    """How best focus of a sweep answers to the quantities: (q,)."""

    def told(self, count: np.ndarray) -> np.ndarray:
        """Precision (q, q) of a sweep with so many frames (k,) at each place."""
        on = count > 0
        rows = self.slopes[on]
        return self.prior + np.einsum("k,kiq,kir->qr", count[on], rows, rows)


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
    share = np.sqrt((1 + outlook.telescope.obstruction**2) / 2)
    about = np.hypot(outlook.floor_px, slope * share * away)
    curves = [focus_curve(away, about, 0.0, id=name, filter=name) for name in filters]
    night = _night(curves, outlook)
    values = _values(night, slope, outlook)
    radius = night.sizes(values).radius.reshape(len(filters), -1)
    first = radius[0].min()
    noise = np.array([[outlook.star_noise[name]] for name in filters]) * first
    noise = noise * (radius / first) ** STAR_NOISE_POWER
    levers = best_focus(night, values)[1]
    curves = [
        replace(curve, radius_px=r, radius_sigma_px=sigma)
        for curve, r, sigma in zip(curves, radius, noise, strict=True)
    ]
    curves = [
        replace(c, inner=inner_radii(INNER * c.radius_px, c.radius_px, c.to_fit())) for c in curves
    ]
    night = _night(curves, outlook)
    white = _whitened(night, values, outlook)
    precision = night.prior.normal(values)[0]
    return Design(
        away_steps=away,
        filters={
            name: FilterDesign(
                radius_px=radius[row],
                slopes=white[row][..., _columns(row)],
                prior=np.diag(np.r_[np.zeros(FIRST), precision[_columns(row)[FIRST:]]]),
                lever=levers[row, _columns(row)],
            )
            for row, name in enumerate(filters)
        },
        shared=np.diag(precision[:FIRST]),
    )


def _columns(row: int) -> np.ndarray:
    return np.r_[:FIRST, FIRST + OWN * row : FIRST + OWN * (row + 1)]


def _night(curves: Sequence[FocusCurve], outlook: Outlook) -> Night:
    """One sweep of each filter with a frame at every place; of the radii only their size counts."""
    used = [curve.usable for curve in curves]
    return build_night(curves, used, known=outlook.telescope, bands=outlook.bands)


def _whitened(night: Night, values: np.ndarray, outlook: Outlook) -> np.ndarray:
    """Slopes (m, k, 2, p) of both radii of each frame, in units of what they scatter together."""
    sizes = night.sizes(values)
    variance = variance_of(night, sizes, jitter=outlook.jitter, lack=outlook.lack)
    common, nothing = variance.common, np.zeros(night.sweep.size)
    weight = believe(nothing, variance.sound, wild=variance.wild, doubt=common**2).weight

    def paired(column: np.ndarray) -> np.ndarray:
        return np.stack([column[~night.inner], column[night.inner]], axis=1)

    common, weight = paired(common), paired(weight)
    covariance = common[:, :, None] * common[:, None] + np.eye(2) / weight[:, None]
    white = np.linalg.solve(np.linalg.cholesky(covariance), paired(night.slopes(values, sizes)))
    return white.reshape(len(night.bands), -1, 2, values.size)


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
