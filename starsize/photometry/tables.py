"""Stars at given places, and star tables with units."""

from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from .measure import measure_image
from .measured import Known, Stars

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable, Table

_UNITS = {
    "x": u.pix, "y": u.pix, "radius": u.pix, "radius_sigma": u.pix, "mean_radius": u.pix,
    "flux": u.adu, "flux_sigma": u.adu, "background": u.adu, "elongation": None, "flags": None,
    "radius30": u.pix, "radius30_sigma": u.pix, "radius80": u.pix, "radius80_sigma": u.pix,
    "angle_deg": None, "snr": None,
}  # fmt: skip


def half_flux_radius(
    image: np.ndarray,
    positions: "np.ndarray | Table",
    *,
    guess_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
) -> Stars:
    """Measure the half-flux radius of the stars at given places.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    positions : (n, 2) array or Table
        ``(x, y)`` in pixels, or a table with columns ``x`` and ``y`` (or ``xcentroid``,
        ``x_centroid`` and so on, as finders of other packages call them).
    guess_px : float, optional
        About how large the stars are; found from the image where not given.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; both are judged from the data where not given.

    Returns
    -------
    Stars
        One entry a place, in the same order; what is wrong with it in ``flags``.

    Raises
    ------
    ValueError
        If ``image`` is not 2-D, or ``positions`` neither (n, 2) nor a table that has them.

    References
    ----------
    .. [1] E. Bertin and S. Arnouts, Astron. Astrophys. Suppl. 117 (1996) 393: radii that hold a
       share of the light, from growth with the aperture.

    Examples
    --------
    A Gaussian holds half of its light inside 1.1774 sigma:

    >>> y, x = np.mgrid[:64, :64]
    >>> star = 3e4 * np.exp(-((x - 30) ** 2 + (y - 33) ** 2) / (2 * 3.0**2))
    >>> noise = np.random.default_rng(1).normal(500, 10, (64, 64))
    >>> half_flux_radius(star + noise, [(30, 33)]).radius.round(1)
    array([3.5])
    """
    if hasattr(positions, "colnames"):
        positions = np.stack([_place(positions, axis) for axis in "xy"], axis=1)
    return measure_image(
        image,
        known=Known(positions, guess_px or 0.0),
        gain_e_per_adu=gain_e_per_adu,
        saturation_adu=saturation_adu,
    ).stars


def _place(table: "Table", axis: str) -> np.ndarray:
    """One coordinate of the places, in pixels."""
    for name in (axis, f"{axis}centroid", f"{axis}_centroid"):
        if name in table.colnames:
            return np.asarray(u.Quantity(table[name], u.pix).value)
    msg = f"'positions' has no column {axis!r} (nor {axis}centroid): {', '.join(table.colnames)}"
    raise ValueError(msg)


def measure_frame(
    image: np.ndarray,
    *,
    threshold: float = 6.0,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    max_stars: int | None = 250,
) -> "QTable":
    """Find and measure the stars of one frame.

    Parameters
    ----------
    image, threshold, gain_e_per_adu, saturation_adu, max_stars
        As in `measure_image`.

    Returns
    -------
    QTable
        One row a star, brightest first: ``x``, ``y``, ``radius``, ``radius_sigma``,
        ``mean_radius`` (pix), ``flux``, ``flux_sigma``, ``background`` (adu), ``elongation``,
        ``flags``, and the radii of 30 and 80 % of the light. Zero rows and the same columns where
        nothing was found. ``meta`` holds the radius of the frame.

    Raises
    ------
    ValueError
        If ``image`` is not 2-D.
    """
    measured = measure_image(
        image, threshold=threshold, gain_e_per_adu=gain_e_per_adu, saturation_adu=saturation_adu,
        max_stars=max_stars,
    )  # fmt: skip
    table = star_table(measured.stars)
    radius = measured.radius
    for name in ("radius_px", "radius_sigma_px", "n_found", "background_adu", "background_rms_adu"):
        table.meta[name] = np.asarray(getattr(radius, name)).item()
    return table


def star_table(stars: Stars) -> "QTable":
    """The measured stars as a table with units."""
    from astropy.table import QTable

    columns = {name: getattr(stars, name) for name in _UNITS}
    return QTable({n: c if _UNITS[n] is None else c * _UNITS[n] for n, c in columns.items()})
