"""Sweeps at the level of radii, without pixels: quick, by the physics of the drawn frames."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline

from ..optics import critical_focus_zone_um, wing_slope_px_per_um
from .blur import star_blurs
from .curve import bounded_radius_px, half_flux_radius_px, true_best_focus, true_curve
from .scene import Scene

SHARES = (0.3, 0.5, 0.8)
"""Shares of the light whose radii are tabulated."""
BOUNDS = (3.0, 6.0, 9.0)
"""Circle and ring of the bounded radius, in radii of 30 % of the light, about as frames have
them."""
_SEEING = np.geomspace(0.6, 1.9, 6)
_U, _V = (part.ravel() for part in np.meshgrid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7)))
_FIELD = np.stack([_U, _V, (_U**2 + _V**2) / 2])


@dataclass(frozen=True, slots=True, eq=False)
class RadiusTable:
    """Radii of noiseless stars through the filters of a scene, at any position and seeing.

    Attributes
    ----------
    scene : Scene
    best_steps, zone_steps : dict of str to float
        By filter: position of the smallest half-flux radius of the light as it falls, at the
        scene's own seeing; half-width of the critical focus zone.
    half_steps : float
        Half of a sweep that geometry would take to ``span`` times the mean smallest radius.
    splines : dict of str to tuple of RectBivariateSpline
        By filter, one a share of ``SHARES`` and one for the bounded radius: radius against position
        and ln of the seeing over the scene's.
    field_zones : tuple of float
        How much further out focus lies at the +x and the +y edge, and in the corners, than at the
        centre of the frame, zones of 550 nm; radii are the mean over the field.
    """

    scene: Scene
    best_steps: dict[str, float]
    zone_steps: dict[str, float]
    half_steps: float
    splines: dict[str, tuple[RectBivariateSpline, ...]]
    field_zones: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def radii_px(self, filter_name: str, positions: np.ndarray, seeing: np.ndarray) -> np.ndarray:
        """Radii of ``SHARES`` and the bounded one, (n, 4), at ``seeing`` times the scene's.

        Raises
        ------
        ValueError
            If a position lies beyond the table.
        """
        at = self.splines[filter_name]
        knots = at[0].get_knots()[0]
        if np.min(positions) < knots[0] or np.max(positions) > knots[-1]:
            msg = f"'positions' must lie in the table, {knots[0]:.0f} to {knots[-1]:.0f} steps"
            raise ValueError(msg)
        if not any(self.field_zones):
            return np.column_stack([spline.ev(positions, np.log(seeing)) for spline in at])
        return np.exp(np.stack([log.mean(1) for log in self._over_field(at, positions, seeing)], 1))

    def slopes(self, filter_name: str, positions: np.ndarray, seeing: np.ndarray) -> np.ndarray:
        """Slopes of ln half-flux radius along u, v and w over the frame, (n, 3).

        u and v run from -1 to 1, w is the squared distance from the centre, 1 in the corners.
        """
        (log,) = self._over_field(self.splines[filter_name][1:2], positions, seeing)
        design = np.column_stack([np.ones(_U.size), *_FIELD])
        return np.asarray(np.linalg.lstsq(design, log.T, rcond=None)[0][1:].T)

    def _over_field(
        self, splines: Sequence[RectBivariateSpline], positions: np.ndarray, seeing: np.ndarray
    ) -> list[np.ndarray]:
        """Ln radii at 49 places of the field whose mean focus is the filter's, (n, 49) each."""
        further = np.array(self.field_zones) @ _FIELD
        zone = critical_focus_zone_um(550.0, self.scene.lens.focal_ratio)
        further = (further - further.mean()) * zone / self.scene.focuser.um_per_step
        knots = splines[0].get_knots()[0]
        at = np.clip(positions[:, None] - further, knots[0], knots[-1])
        return [np.log(spline.ev(at, np.log(seeing)[:, None])) for spline in splines]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsPlan:
    """How sweeps are taken and disturbed.

    Attributes
    ----------
    order : tuple of str
        The filter of each sweep.
    positions : int
    reach : float
        Half of a sweep over the table's ``half_steps``.
    miscentre : float
        The middle lies evenly within this many spacings about best focus.
    seeing, jitter : float
        The night's seeing over the scene's, and its relative scatter from frame to frame.
    star_noise : float
        Relative uncertainty of a half-flux radius from the stars alone.
    wrecked : int
        Frames of each sweep whose radii are wrong by one of ``wrecks``.
    together : bool
        Channels of a colour camera: all sweeps share positions, seeing and wrecks; positions reach
        as far about the best focus of each.
    play_steps : float
        Play still to be taken up when each sweep begins: the count runs, the camera does not.
    """

    order: tuple[str, ...] = ("L", "R", "G", "B", "Ha", "OIII", "SII")
    positions: int = 11
    reach: float = 1.0
    miscentre: float = 0.5
    seeing: float = 1.0
    jitter: float = 0.05
    star_noise: float = 0.003
    wrecked: int = 0
    wrecks: tuple[float, ...] = (0.6, 0.8, 1.5)
    together: bool = False
    play_steps: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class SweepPoints:
    """One sweep of a night drawn at the level of radii.

    ``radius_px`` and ``sigma_px`` are (n, 4) arrays for ``SHARES`` of the light and the bounded
    radius, whose circle and ring ``bounds_px`` (n, 3) states; ``seeing`` is that of each frame over
    the scene's, ``wreck`` the factor on its radii (1: sound).
    """

    filter: str
    position_steps: np.ndarray
    radius_px: np.ndarray
    sigma_px: np.ndarray
    bounds_px: np.ndarray
    seeing: np.ndarray
    wreck: np.ndarray
    best_steps: float
    zone_steps: float


def tabulate_radii(
    scene: Scene, filters: Sequence[str] | None = None, *, span: float = 3.0, grid: int = 49
) -> RadiusTable:
    """Table of radii from which any number of nights can be drawn.

    Accuracy: 0.03 % for sweeps within ``reach`` 1.2 (tests/simulate/test_points.py).
    """
    names = tuple(filters or scene.filters)
    lens, focuser = scene.lens, scene.focuser
    best = {name: true_best_focus(scene, name, pixels=False) for name in names}
    sharp = [true_curve(scene, name, [best[name]], pixels=False)[0] for name in names]
    slope = wing_slope_px_per_um(lens.focal_ratio, scene.sensor.pixel_um, lens.obstruction)
    half = float(np.sqrt(span**2 - 1) * np.mean(sharp)) / slope / focuser.um_per_step
    zone, splines = {}, {}
    for name in names:
        plate = scene.filters[name]
        colour = float(np.average(plate.wavelengths_nm, weights=plate.weights))
        zone[name] = critical_focus_zone_um(colour, lens.focal_ratio) / focuser.um_per_step
        # Finer about best focus, where the radius bends; channels of one exposure lie apart.
        reach = 1.5 * half + np.ptp(list(best.values()))
        u = np.linspace(-1, 1, grid + 2 * int(grid * (reach / (1.5 * half) - 1) / 2))
        at = best[name] + reach * (0.4 * u + 0.6 * u**3)
        radii = np.array([_radii(scene, name, float(position)) for position in at])
        splines[name] = tuple(
            RectBivariateSpline(at, np.log(_SEEING), radii[:, :, k]) for k in range(radii.shape[2])
        )
    return RadiusTable(scene, best, zone, half, splines)


def draw_points(table: RadiusTable, plan: PointsPlan, *, seed: int) -> tuple[SweepPoints, ...]:
    """One night of sweeps, disturbed as planned."""
    rng = np.random.default_rng([seed, 23])
    frames: Mapping[str, np.ndarray] = {}
    drawn: list[SweepPoints] = []
    for name in plan.order:
        if not (plan.together and drawn):
            frames = _frames(table, plan, plan.order if plan.together else (name,), rng)
        position, seeing, wreck = frames["position"], frames["seeing"], frames["wreck"]
        camera = np.maximum(position, position[0] + plan.play_steps)
        radius = table.radii_px(name, camera, seeing) * wreck[:, None]
        # Radii of one star share most of their noise; the outer one has more of it.
        own = 0.8 * rng.standard_normal((len(position), 1))
        own = own + 0.6 * rng.standard_normal(radius.shape)
        sigma = plan.star_noise * radius * (1.0, 1.0, 1.5, 1.0)
        drawn.append(
            SweepPoints(
                name,
                position,
                radius + sigma * own,
                sigma,
                table.radii_px(name, position, seeing)[:, :1] * BOUNDS,
                seeing,
                wreck,
                table.best_steps[name],
                table.zone_steps[name],
            )
        )
    return tuple(drawn)


def _frames(
    table: RadiusTable, plan: PointsPlan, names: Sequence[str], rng: np.random.Generator
) -> Mapping[str, np.ndarray]:
    """Positions, seeing and wrecks of one sweep that serves the filters named."""
    best = [table.best_steps[name] for name in names]
    half = plan.reach * table.half_steps + np.ptp(best) / 2
    spacing = 2 * half / (plan.positions - 1)
    middle = (min(best) + max(best)) / 2 + rng.uniform(-plan.miscentre, plan.miscentre) * spacing
    wreck = np.ones(plan.positions)
    bad = rng.choice(plan.positions, plan.wrecked, replace=False)
    wreck[bad] = rng.choice(plan.wrecks, plan.wrecked)
    factor = plan.seeing * np.exp(plan.jitter * rng.standard_normal(plan.positions))
    return {
        "position": np.round(np.linspace(middle - half, middle + half, plan.positions)),
        "seeing": np.clip(factor, _SEEING[0], _SEEING[-1]),
        "wreck": wreck,
    }


def _radii(scene: Scene, name: str, position: float) -> np.ndarray:
    """Radii by seeing and share, (k, 4)."""
    outward = scene.focuser.outward_um(position, scene.focuser.home_degC)
    blurs = star_blurs(scene, name, outward, seeing_factors=tuple(_SEEING))
    rows = []
    for blur in blurs:
        row = [half_flux_radius_px(blur, pixels=False, fraction=f) for f in SHARES]
        bounds = (row[0] * BOUNDS[0], row[0] * BOUNDS[1], row[0] * BOUNDS[2])
        rows.append([*row, bounded_radius_px(blur, bounds)])
    return np.array(rows)
