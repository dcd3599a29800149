"""Draw a fitted curve: the radius it predicts anywhere."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from ..optics.pupil import PupilTable
from ..optics.sizes import star_radii
from ..optics.star import StarState, Telescope, lay_out, prepare_stars
from .fitted import CurveFit
from .shapes import hyperbola

STAR = 17
"""Numbers that make the shape of a star's curve; a hyperbola has three."""
COLOUR = 14
"""Where those of the lens' colour begin, the last three."""


def radius_at(fit: CurveFit, position_steps: ArrayLike) -> np.ndarray:
    """Half-flux radius that a fit predicts at the given positions, pixels.

    Parameters
    ----------
    fit : CurveFit
    position_steps : (n,) array_like

    Returns
    -------
    (n,) float array
        NaN where the sweep was refused.

    Examples
    --------
    >>> from starsize.curves import fit_curve, focus_curve
    >>> position = np.arange(900, 1101, 25)
    >>> fit = fit_curve(focus_curve(position, np.hypot(2.0, 0.05 * (position - 1004)), 0.01))
    >>> radius_at(fit, [954, 1004]).round(1)
    array([3.2, 2. ])
    """
    position = np.asarray(position_steps, float)
    if not fit.answered or not fit.shape:
        return np.full(position.shape, np.nan)
    if len(fit.shape) == STAR:
        # A curve bends over blurs as large as the seeing: an eighth of that apart tells all of it.
        turns = abs(fit.shape[4]) * np.ptp(position) / fit.shape[6] if position.size else 0.0
        if (few := int(8 * turns) + 8) >= position.size:
            return star_radius(fit.shape, position)
        places = np.linspace(position.min(), position.max(), few)
        return np.asarray(CubicSpline(places, star_radius(fit.shape, places))(position))
    best, floor, slope = fit.shape
    return hyperbola(position, best, floor, slope_px_per_step=slope)


def star_radius(
    shape: tuple[float, ...],
    position_steps: np.ndarray,
    *,
    fraction: float = 0.5,
    table: PupilTable | None = None,
) -> np.ndarray:
    """Radius holding a share of the light of a star of physics, as ``CurveFit.shape`` holds it.

    The numbers: obstruction, wavelength and width of the band (nm), diffraction (px per um), blur
    (px per step), zero (steps), seeing (px), tint, spherical (waves), spread (px), exponent of the
    air, three of the spectrum, three of the lens' colour (px). ``table`` spares one of the pupil.
    """
    position = np.asarray(position_steps, float)
    blur = shape[4] * (position.ravel() - shape[5])
    seeing = np.full(blur.size, shape[6])
    radius = share_radius(shape, blur, seeing, fraction=fraction, table=table)
    return radius.reshape(position.shape)


def share_radius(
    shape: tuple[float, ...],
    blur_px: np.ndarray,
    seeing_px: np.ndarray,
    *,
    fraction: float = 0.5,
    air: float | None = None,
    start_px: np.ndarray | None = None,
    table: PupilTable | None = None,
) -> np.ndarray:
    """The same under any defocus from its zero (`StarState.blur_px`), seeing and air."""
    hole, wavelength, width, diffraction, _, _, _, *rest = shape
    tint, spherical, spread, own_air = rest[:4]
    bands, which = [(wavelength, width)], np.zeros(blur_px.size, int)
    if table is not None:
        stars = lay_out(table, bands, which, diffraction=diffraction)
    else:
        stars = prepare_stars(
            bands,
            which,
            telescope=Telescope(focal_ratio=diffraction, pixel_um=1.0, obstruction=hole),
            largest_blur_px=float(np.abs(blur_px).max(initial=1.0)),
            finest_seeing_px=float(seeing_px.min()),
        )
    state = StarState(
        blur_px=blur_px,
        seeing_px=seeing_px,
        diffraction_px_per_um=diffraction,
        colour_px=np.array(rest[7:]),
        spherical=spherical,
        spread_px=spread,
        air=own_air if air is None else air,
        spectrum=np.array(rest[4:7]),
        tint=np.array([tint]),
    )
    return star_radii(stars, state, fraction=fraction, start_px=start_px)
