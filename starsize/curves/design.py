"""What frames that nobody has taken yet would tell: the covariance of best foci at a design.

It is that of the fit (`night`, `posterior`) at the likeliest quantities of a telescope whose lens
has the colour stated, every frame sound with the probability that is usual, jitter and lack as
expected:

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
from .night import Known, Night, Q, build_night
from .posterior import best_focus, fit_at
from .statistics import PRIORS

STAR_NOISE_POWER = 0.45
"""The star noise of a frame in pixels grows with this power of the radius: of drawn frames 0.15 to
0.7, mostly 0.4 to 0.5 (scripts/results/plan.md). Little hangs on it: 0.3 makes an offset's part
from the frames 4 % smaller."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What is expected of telescope (all of it known), sky and frames."""

    telescope: Known
    floor_px: float  # smallest half-flux radius through the first filter
    star_noise: Mapping[str, float]  # by filter, the star noise of a frame in focus over its radius
    bands: Mapping[str, Band] = field(default_factory=dict)
    colour_um: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Of the lens, in the terms of `optics.star.colour_terms`; outward is positive."""
    jitter: float = PRIORS.jitter
    lack: float = PRIORS.lack


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """What frames through f filters would tell, at k places counted from best focus.

    The last axis of its arrays are the q quantities of one sweep, shared and own.
    """

    filters: tuple[str, ...]
    away_steps: np.ndarray
    radius_px: np.ndarray  # (f, k)
    slopes: np.ndarray
    """Derivatives of both radii, in units of what they scatter together: (f, k, 2, q)."""
    precision: np.ndarray  # before looking: (f, q)
    lever: np.ndarray  # how best focus of a sweep answers: (f, q)

    def covariance(self, sweeps: Sequence[tuple[str, np.ndarray]]) -> np.ndarray:
        """Of the best foci, (m, m): ``sweeps`` are filters, and how many frames at each place."""
        normal = np.diag(np.r_[self.precision[0, : Q.FIRST], np.zeros(Q.OWN * len(sweeps))])
        lever, told = np.zeros((len(sweeps), len(normal))), {}
        for s, (name, count) in enumerate(sweeps):
            row, key, on = self.filters.index(name), (name, count.tobytes()), count > 0
            if key not in told:
                rows = np.sqrt(count[on])[:, None, None] * self.slopes[row, on]
                told[key] = np.einsum("kiq,kir->qr", rows, rows)
                told[key][Q.FIRST :, Q.FIRST :] += np.diag(self.precision[row, Q.FIRST :])
            at = _columns(s)
            normal[np.ix_(at, at)] += told[key]
            lever[s, at] = self.lever[row]
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
    night = _night([focus_curve(away, about, 0.0, filter=name) for name in filters], outlook)
    values = _values(night, slope, outlook)
    levers = best_focus(night, values)[1]
    radius = night.radii(values)[0].reshape(len(filters), -1)
    first, curves = radius[0].min(), []
    for name, mine in zip(filters, radius, strict=True):
        noise = outlook.star_noise[name] * first * (mine / first) ** STAR_NOISE_POWER
        curve = focus_curve(away, mine, noise, filter=name)
        curves.append(replace(curve, inner=inner_radii(INNER * mine, mine, curve.to_fit())))
    # Of the radii only the size counts.
    night = _night(curves, outlook)
    white, precision = _whitened(night, values, outlook), night.prior.normal(values)[0]
    columns = list(map(_columns, range(len(filters))))
    return Design(
        tuple(filters), away, radius,
        slopes=np.stack([rows[..., at] for rows, at in zip(white, columns, strict=True)]),
        precision=np.stack([precision[at] for at in columns]),
        lever=np.stack([lever[at] for lever, at in zip(levers, columns, strict=True)]),
    )  # fmt: skip


def _columns(row: int) -> np.ndarray:
    """Where the quantities of a sweep stand, shared and own."""
    return np.r_[: Q.FIRST, Q.FIRST + Q.OWN * row : Q.FIRST + Q.OWN * (row + 1)]


def _night(curves: Sequence[FocusCurve], outlook: Outlook) -> Night:
    return build_night(curves, known=outlook.telescope, bands=outlook.bands)


def _whitened(night: Night, values: np.ndarray, outlook: Outlook) -> np.ndarray:
    """Slopes (m, k, 2, p) of both radii of each frame, in units of what they scatter together."""
    fit = fit_at(night, values)
    scatter = fit.scatter(outlook.jitter, outlook.lack)
    weight = scatter.believe(np.zeros(night.sweep.size)).weight

    def paired(column: np.ndarray) -> np.ndarray:
        return np.stack([column[~night.inner], column[night.inner]], axis=1)

    common = paired(scatter.common)
    covariance = common[:, :, None] * common[:, None] + np.eye(2) / paired(weight)[:, None]
    white = np.linalg.solve(np.linalg.cholesky(covariance), paired(fit.slopes))
    return white.reshape(len(night.bands), -1, 2, values.size)


def _values(night: Night, slope: float, outlook: Outlook) -> np.ndarray:
    """Quantities of the telescope, best foci at 0, in the seeing that makes the floor as asked."""
    values = night.start.copy()
    values[Q.LOG_SLOPE], values[Q.ZERO], values[Q.ZEROS] = np.log(slope), 0.0, 0.0
    values[Q.COLOUR] = np.array(outlook.colour_um) * night.telescope.blur_px_per_um
    _set_seeing(night, values, outlook.floor_px)
    # Where best focus lies depends on the seeing a little, and so does the smallest star.
    for _ in range(2 if any(outlook.colour_um) else 0):
        values[Q.ZEROS] -= best_focus(night, values)[0]
        _set_seeing(night, values, outlook.floor_px)
    return values


def _set_seeing(night: Night, values: np.ndarray, floor_px: float) -> None:
    """Change ``values`` to the seeing that makes stars of the first filter ``floor_px`` at 0."""
    values[Q.LOG_SEEINGS] = values[Q.FIRST + 1]
    sharp = night.at(np.zeros(1), np.zeros(1, int))
    for _ in range(12):
        (least,), (slopes,) = sharp.radii(values)
        move = (floor_px - least) / max(float(slopes[Q.LOG_SEEINGS][0]), 1e-6)
        values[Q.LOG_SEEINGS] += np.clip(move, -0.7, 0.7)
    if abs(floor_px - least) > 0.02 * floor_px:
        msg = f"no star of this telescope is as small as {floor_px:.2f} px; it is at least "
        msg += f"{least:.2f} px wide"
        raise ValueError(msg)
