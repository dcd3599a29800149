"""Draw a fitted curve: the radius it predicts anywhere."""

import numpy as np

from ..optics.pupil import PupilTable
from ..optics.star import StarState, Telescope, lay_out, prepare_stars, star_radii
from .fitted import CurveFit
from .shapes import hyperbola

STAR = 16
"""Numbers that make the shape of a star's curve; a hyperbola has three."""


def radius_at(fit: CurveFit, position_steps: np.ndarray) -> np.ndarray:
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
        return star_radius(fit.shape, position)
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
    air, two of the spectrum, three of the lens' colour (px). ``table``
    is that of the pupil where there is one.
    """
    hole, wavelength, width, diffraction, slope, zero, seeing, *rest = shape
    tint, spherical, spread, air = rest[:4]
    position = np.asarray(position_steps, float)
    blur = slope * (position.ravel() - zero)
    bands, which = [(wavelength, width)], np.zeros(blur.size, int)
    if table is not None:
        stars = lay_out(table, bands, which)
    else:
        stars = prepare_stars(
            bands,
            which,
            telescope=Telescope(focal_ratio=diffraction, pixel_um=1.0, obstruction=hole),
            largest_blur_px=float(np.abs(blur).max(initial=1.0)),
            finest_seeing_px=seeing,
        )
    state = StarState(
        blur_px=blur,
        seeing_px=np.full(blur.size, seeing),
        diffraction_px_per_um=diffraction,
        colour_px=np.array(rest[6:]),
        spherical=spherical,
        spread_px=spread,
        air=air,
        spectrum=np.array(rest[4:6]),
        tint=np.array([tint]),
    )
    return star_radii(stars, state, fraction=fraction).reshape(position.shape)
