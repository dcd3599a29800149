"""Tilt and curvature of the field: where in the frame each star of the sweeps comes to focus.

With R(x) the sweep's curve, r_j the radius of frame j and s_i the size of star i against it, a
star whose best focus lies delta_i further out shows

    r_ij = s_i sqrt(r_j^2 + R(x_j - delta_i)^2 - mean_k R(x_j - delta_k)^2) + noise,

for seeing, which all stars of a frame share, adds to defocus in squares, and so does what the
spread of the deltas (here about their mean) adds to the frame's own radius. Each star is fitted
for s_i and delta_i; then over all stars of all sweeps delta = c_sweep + a u + b v + k w, u and v
from -1 to 1 across the frame and w the squared distance from the centre, 1 in the corners.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import fdtri

from ..curves import radius_at
from ..curves.fitted import CurveFit, CurveSet
from ..estimate import Estimate, Finding
from ..optics import critical_focus_zone_um
from ..setup import Setup
from ..tracking.measured import MeasuredSweep
from .compared import FieldReport
from .offsets.found import Scale

#: Fewest stars in all and in each quarter of the frame (common practice: at least 15 a chip).
LEAST_STARS, LEAST_IN_QUARTER = 24, 4
#: Fewest frames through which a star must be followed.
LEAST_FRAMES = 5
#: What a curve that does not quite fit may feign, in spacings of its positions (judgement: a
#: drawn, flat night of 11 positions showed 0.02 steps where stars alone would give 0.01).
CURVE_SHARE = 0.01
_CORNERS = ((-1, -1), (1, -1), (-1, 1), (1, 1))
_ROUNDS = 8
_HUBER = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldSweep:
    """One sweep's n stars through its f frames.

    ``star`` (n,) is the same number for the same star in another sweep, negative where that is not
    known; ``radius_px`` and its sigma (n, f) are NaN where not measured or not to be used;
    ``frame_px`` (f,) is the radius of each frame, ``curve_*`` the sweep's curve beyond its ends.
    """

    id: str
    filter: str
    x_px: np.ndarray
    y_px: np.ndarray
    star: np.ndarray
    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    position_steps: np.ndarray
    frame_px: np.ndarray
    curve_steps: np.ndarray
    curve_px: np.ndarray


@dataclass(frozen=True, slots=True)
class Frame:
    """Width and height of the frame in pixels, and their pitch where it is known."""

    width_px: float
    height_px: float
    pixel_um: float | None = None


def field_of_focus(
    sweeps: Sequence[FieldSweep], *, frame: Frame, scale: Scale, zone_um: float | None = None
) -> FieldReport | Finding:
    """Plane and bowl of best focus over the frame.

    Or the reason where stars are too few or too uneven, or the step size is not known.

    Weights are robust (Huber) and the covariance that of stars as clusters (Liang & Zeger 1986,
    Biometrika 73, 13, each star's residual over one minus its leverage), so a star that is odd in
    every filter counts once. Significance: Wald's test of tilt and bowl together at 95 %.
    """
    if scale.um_per_step is None:
        return Finding("field_without_step_size")
    stars, count = _stars(sweeps, frame), len(sweeps)
    first = np.unique(stars.cluster, return_index=True)[1]
    if first.size < LEAST_STARS:
        return Finding("field_without_stars", stars=int(first.size), needed=LEAST_STARS)
    quarter = (stars.place[first, :2] > 0) @ [2, 1]
    if np.bincount(quarter, minlength=4).min() < LEAST_IN_QUARTER:
        return Finding("field_not_covered")
    whole = np.column_stack([stars.sweep[:, None] == np.arange(count), stars.place])
    value, covariance, left, weight = _robust(whole, stars)
    spacing = float(np.median([np.ptp(s.position_steps) / len(s.position_steps) for s in sweeps]))
    tilt = value[count:]
    own = covariance[count:, count:] + np.eye(3) * (CURVE_SHARE * spacing) ** 2
    um = scale.um_per_step.value * scale.sense

    def significant(terms: int) -> bool:
        """Of the first terms, at 95 %."""
        limit = float(fdtri(terms, max(first.size - 4, 1), 0.95))
        return _wald(tilt[:terms], own[:terms, :terms]) > limit

    def micrometres(*row: float) -> Estimate:
        contrast = um * np.array(row, float)
        return Estimate(float(contrast @ tilt), math.sqrt(contrast @ own @ contrast))

    def to_centre(sweep: int) -> Estimate:
        """From where a sweep focuses to the centre.

        Its stars lie about their middle, and may focus beside their frames by m as these show other
        stars from one to the next: by no more than the field's own spread F. What is more is the
        curve's misfit: m / (1 + m^2 / F^2).
        """
        mine = stars.sweep == sweep
        share = weight[mine] / weight[mine].sum()
        field = stars.place[mine] @ tilt
        middle = float(share @ field)
        beside = float(value[sweep]) + middle
        spread2 = float(share @ (field - middle) ** 2)
        moved = beside * spread2 / (spread2 + beside**2) - middle
        return Estimate(moved, math.sqrt(covariance[sweep, sweep]))

    return FieldReport(
        tilt_x_um=micrometres(1, 0, 0), tilt_y_um=micrometres(0, 1, 0),
        tilt_arcmin=_angle(um * tilt[:2], um**2 * own[:2, :2], frame),
        curvature_um=micrometres(0, 0, 1),
        corners_um=tuple(micrometres(u, v, 1) for u, v in _CORNERS), significant=significant(3),
        tilt_significant=significant(2), frame_px=(frame.width_px, frame.height_px),
        zone_um=zone_um, changes_with_filter=_differs(sweeps, stars, left),
        stars=int(first.size),
        centre_steps={sweeps[i].id: to_centre(i) for i in np.unique(stars.sweep).tolist()},
    )  # fmt: skip


class _Stars(NamedTuple):
    """(n,) shifts and sigmas, steps; (n, 3) ``place`` u, v, w; (n,) sweeps, and which are one."""

    delta: np.ndarray
    sigma: np.ndarray
    place: np.ndarray
    sweep: np.ndarray
    cluster: np.ndarray


def _stars(sweeps: Sequence[FieldSweep], frame: Frame) -> _Stars:
    """All stars that tell."""
    half = np.array([frame.width_px, frame.height_px]) / 2
    parts = []
    for number, sweep in enumerate(sweeps):
        x, y = sweep.x_px - (half[0] - 0.5), sweep.y_px - (half[1] - 0.5)
        place = np.stack([x / half[0], y / half[1], (x**2 + y**2) / (half @ half)], axis=1)
        parts.append((*star_shifts(sweep), place, np.full(x.size, number), sweep.star.astype(int)))
    stars = _Stars(*map(np.concatenate, zip(*parts, strict=True)))
    stars = _Stars(*(column[np.isfinite(stars.delta)] for column in stars))
    unknown = stars.cluster < 0  # each a cluster of its own
    stars.cluster[unknown] = -1 - np.arange(unknown.sum())
    return stars


def _wald(value: np.ndarray, covariance: np.ndarray) -> float:
    """Square of a vector of estimates in its own covariance, over its length."""
    return float(value @ np.linalg.solve(covariance, value) / len(value))


def star_shifts(sweep: FieldSweep) -> tuple[np.ndarray, np.ndarray]:
    """Best focus of each star less the sweep's own, and its uncertainty: (n,) arrays, steps.

    NaN for stars followed through too few frames or seen on one side of focus only.
    """
    radius, weight = sweep.radius_px, sweep.radius_sigma_px**-2.0
    weight = np.where(np.isfinite(radius) & np.isfinite(weight), weight, 0.0)
    radius = np.nan_to_num(radius)
    enough = (weight > 0).sum(axis=1) >= LEAST_FRAMES
    if not enough.any():
        return np.full(len(radius), np.nan), np.full(len(radius), np.nan)
    delta = np.zeros(len(radius))
    slope = np.gradient(sweep.curve_px, sweep.curve_steps)
    reach = np.ptp(sweep.position_steps) / 4
    for _ in range(_ROUNDS):
        at = sweep.position_steps - delta[:, None]
        shifted = np.interp(at, sweep.curve_steps, sweep.curve_px)
        spread = at[enough] + delta[enough].mean()
        defocus = np.interp(spread, sweep.curve_steps, sweep.curve_px) ** 2
        seeing = sweep.frame_px**2 - defocus.mean(axis=0)
        # A curve that fits badly must not make a radius vanish.
        shape = np.sqrt(np.maximum(seeing + shifted**2, (shifted / 4) ** 2))
        moved = -shifted * np.interp(at, sweep.curve_steps, slope) / shape
        pairs = (shape, shape), (shape, moved), (moved, moved), (shape, radius), (moved, radius)
        ss, sm, mm, sr, mr = ((weight * a * b).sum(axis=1) for a, b in pairs)
        with np.errstate(divide="ignore", invalid="ignore"):
            # The star's size s and s times the change of its shift, both free.
            free = mm - sm**2 / ss
            size = (sr * mm - mr * sm) / (ss * mm - sm**2)
            change = (mr - sm * sr / ss) / free / size
            sigma = 1 / np.sqrt(free) / np.abs(size)
        delta = np.clip(delta + np.nan_to_num(change), -reach, reach)
    told = enough & np.isfinite(sigma) & (sigma < reach) & (np.abs(delta) < reach)
    return np.where(told, delta, np.nan), np.where(told, sigma, np.nan)


def _robust(design: np.ndarray, stars: _Stars) -> tuple[np.ndarray, ...]:
    """Values, covariance, residuals and weights of the linear model, odd stars weighed down."""
    y, own = stars.delta, stars.sigma**2
    variance, pull = own, np.ones(y.size)
    for _ in range(2 * _ROUNDS):
        weight = pull / variance
        root = np.sqrt(weight)
        value = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        left = y - design @ value
        # What stars differ by beyond their own noise; 0.455 is the median of chi-square of one.
        extra = max(float(np.median(left**2) / 0.455 - np.median(own)), 0.0)
        variance = own + extra
        size = np.abs(left) / np.sqrt(variance)
        pull = np.minimum(1.0, _HUBER / np.maximum(size, 1e-12))
    bread = np.linalg.inv(design.T @ (design * ((pull == 1) / variance)[:, None]))
    leverage = np.einsum("ij,jk,ik->i", design, bread, design) * weight
    score = design * (weight * left / np.maximum(1 - leverage, 0.1))[:, None]
    place = np.unique(stars.cluster, return_inverse=True)[1]
    summed = np.zeros((place.max() + 1, design.shape[1]))
    np.add.at(summed, place, score)
    return value, bread @ (summed.T @ summed) @ bread, left, weight


def _angle(tilt_um: np.ndarray, covariance: np.ndarray, frame: Frame) -> Estimate | None:
    """Angle between sensor and focal surface, arc minutes."""
    if frame.pixel_um is None:
        return None
    half = frame.pixel_um * np.array([frame.width_px, frame.height_px]) / 2
    slope = tilt_um / half
    size = float(np.hypot(*slope))
    toward = slope / size / half if size else 1 / half
    return Estimate(size, math.sqrt(toward @ covariance @ toward)).times(math.degrees(1) * 60)


def _differs(sweeps: Sequence[FieldSweep], stars: _Stars, left: np.ndarray) -> bool | None:
    """True if what is left still follows the field in some filter, at 95 % for all together."""
    filters = np.array([sweep.filter for sweep in sweeps])[stars.sweep]
    names = {sweep.filter for sweep in sweeps}
    if len(names) < 2:
        return None
    for name in names:
        mine = _Stars(*(column[filters == name] for column in stars._replace(delta=left)))
        if (count := mine.delta.size) < LEAST_STARS:
            continue
        value, covariance, *_ = _robust(np.insert(mine.place, 0, 1.0, axis=1), mine)
        if _wald(value[1:], covariance[1:, 1:]) > fdtri(3, count - 4, 1 - 0.05 / len(names)):
            return True
    return False


def field_of_sweeps(
    measured: Sequence[MeasuredSweep],
    fits: Sequence[CurveFit],
    *,
    setup: Setup,
    um_per_step: Estimate | None,
    reference: str = "L",
) -> FieldReport | Finding | None:
    """The field from all answered sweeps with stars, or why they cannot tell.

    None where no star was followed. ``fits`` begin with those of ``measured``, in its order;
    ``reference`` is the filter whose zone the field is compared with.
    """
    pairs = [
        (one, fit)
        for one, fit in zip(measured, fits, strict=False)
        if fit.answered and fit.shape and len(one.tracks.x_px)
    ]
    if not pairs:
        return None
    facts = pairs[0][0].sweep.frames[0]
    height, width = facts.shape
    frame = Frame(width, height, setup.camera.pixel_um or facts.pixel_um)
    band, ratio = setup.band(reference), setup.telescope.focal_ratio
    zone_um = critical_focus_zone_um(band.wavelength_nm, ratio) if band and ratio else None
    same = [_field_sweep(m, f) for m, f in pairs if m.sweep.frames[0].shape == facts.shape]
    return field_of_focus(same, frame=frame, scale=Scale.of(setup, um_per_step), zone_um=zone_um)


def at_centre(curves: CurveSet, centre_steps: Mapping[str, Estimate]) -> CurveSet:
    """Best focus of each sweep at the centre of the frame instead of the mean of its stars.

    How well that is known adds to the variance. ``centre_steps`` is that of ``FieldReport``.
    """
    fits, extra = [], []
    for fit in curves.fits:
        move = centre_steps.get(fit.curve.id, Estimate(0.0, 0.0))
        (low68, high68), (low95, high95) = fit.interval68_steps, fit.interval95_steps
        moved = replace(
            fit,
            best_steps=fit.best_steps + move.value,
            best_sigma_steps=float(np.hypot(fit.best_sigma_steps, move.sigma)),
            interval68_steps=(low68 + move.value, high68 + move.value),
            interval95_steps=(low95 + move.value, high95 + move.value),
        )
        fits.append(moved)
        extra += [move.sigma**2] * fit.answered
    covariance = curves.covariance_steps2 + np.diag(extra)
    return replace(curves, fits=tuple(fits), covariance_steps2=covariance)


def _field_sweep(measured: MeasuredSweep, fit: CurveFit) -> FieldSweep:
    curve, tracks = fit.curve, measured.tracks
    frames = enumerate(measured.frames)
    seen = [i for i, f in frames if np.isfinite(f.radius_px) and f.facts.position_steps is not None]
    good = (tracks.flags[:, seen] == 0) & fit.used
    margin = np.ptp(curve.position_steps) / 3
    ends = curve.position_steps.min() - margin, curve.position_steps.max() + margin
    along = np.linspace(*ends, 400)
    return FieldSweep(
        id=curve.id, filter=curve.filter, x_px=tracks.x_px, y_px=tracks.y_px,
        star=tracks.identity, radius_px=np.where(good, tracks.radius_px[:, seen], np.nan),
        radius_sigma_px=tracks.radius_sigma_px[:, seen], position_steps=curve.position_steps,
        frame_px=curve.radius_px, curve_steps=along, curve_px=radius_at(fit, along),
    )  # fmt: skip
