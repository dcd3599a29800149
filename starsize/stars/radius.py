"""Half-flux radius at given places, with its uncertainty."""

from dataclasses import dataclass

import numpy as np

from ..conventions import FLUX_FRACTION
from .centre import window_centres, window_elongation
from .cutouts import cut_out
from .flags import StarFlag
from .rings import aperture_sums

#: Radii of the growth curve over the star's own half-flux radius.
_STEPS = np.array([0.25, 0.4, 0.55, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0, 2.5, 3.0])
_TOTAL = 3.0
_SKY_IN, _SKY_OUT = 3.5, 5.0
_BATCH_PIXELS = 4_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Radii:
    """Half-flux radii of many stars; arrays of equal length, NaN where not measurable.

    Attributes
    ----------
    x, y : arrays
        Centre, pixels.
    radius, sigma : arrays
        Half-flux radius and its standard uncertainty, pixels.
    mean_radius : array
        Flux-weighted mean radius, pixels: another quantity, see ``conventions``.
    flux, flux_sigma : arrays
        Total flux, wings included, ADU.
    background : array
        Local background, ADU.
    elongation : array
        Longer over shorter axis.
    flags : int array
        ``StarFlag`` bits.
    """

    x: np.ndarray
    y: np.ndarray
    radius: np.ndarray
    sigma: np.ndarray
    mean_radius: np.ndarray
    flux: np.ndarray
    flux_sigma: np.ndarray
    background: np.ndarray
    elongation: np.ndarray
    flags: np.ndarray


def half_flux_radius(
    image: np.ndarray,
    positions: np.ndarray,
    *,
    guess_px: float = 3.0,
    total_flux: np.ndarray | None = None,
    wings: float = 0.0,
    noise_adu: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    recentre: bool = True,
) -> Radii:
    """Measure the half-flux radius of the stars at given places.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    positions : (n, 2) array
        ``(x, y)`` in pixels.
    guess_px : float
        About how large the stars are; refined star by star.
    total_flux : (n,) array, optional
        Total fluxes where they are known, ADU; else found with an aperture of three half-flux
        radii.
    wings : float
        Share of a star's light that lies beyond that aperture.
    noise_adu : float, optional
        Noise of a pixel of empty sky; else taken from the sky about each star.
    gain_e_per_adu : float, optional
        For the photon noise of the star itself; left out where unknown.
    saturation_adu : float, optional
        Level from which a pixel counts as saturated.
    recentre : bool
        False to keep the given places.

    Returns
    -------
    Radii

    Raises
    ------
    ValueError
        If ``image`` is not 2-D or ``positions`` is not (n, 2).
    """
    image, positions = _checked(image, positions)
    n = len(positions)
    if n == 0:
        return Radii(*(np.zeros(0) for _ in range(9)), np.zeros(0, int))
    guess = np.full(n, float(guess_px))
    total = None if total_flux is None else np.asarray(total_flux, float)
    half = int(np.ceil(_SKY_OUT * guess_px * 1.6)) + 2
    batch = max(1, _BATCH_PIXELS // (2 * half + 1) ** 2)
    parts = [
        _measure_batch(
            image,
            positions[i : i + batch],
            guess[i : i + batch],
            half,
            None if total is None else total[i : i + batch],
            wings,
            noise_adu,
            gain_e_per_adu,
            saturation_adu,
            recentre,
        )
        for i in range(0, n, batch)
    ]
    return Radii(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _checked(image: np.ndarray, positions: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    image = np.asarray(image)
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    positions = np.asarray(positions, float)
    if positions.size == 0:
        return image, positions.reshape(0, 2)
    if positions.ndim != 2 or positions.shape[1] != 2:
        msg = f"'positions' must have shape (n, 2), got {positions.shape}"
        raise ValueError(msg)
    return image, positions


def _measure_batch(
    image, positions, guess, half, total_flux, wings, noise, gain, ceiling, recentre
):
    n = len(positions)
    columns, rows = np.rint(positions[:, 0]).astype(int), np.rint(positions[:, 1]).astype(int)
    dx, dy = positions[:, 0] - columns, positions[:, 1] - rows
    cut = cut_out(image, columns, rows, half)
    flags = np.zeros(n, int)
    gy, gx = np.mgrid[-half : half + 1, -half : half + 1]
    radius = guess.astype(float)
    x, y = dx.astype(float), dy.astype(float)
    good = np.isfinite(cut)
    for round_ in range(4):
        typical = float(np.median(radius))
        distance = np.hypot(gx - x[:, None, None], gy - y[:, None, None])
        inner = np.clip(_SKY_IN * radius, 3, half - 3)[:, None, None]
        outer = np.clip(_SKY_OUT * radius, 6, half)[:, None, None]
        ring = good & (distance >= inner) & (distance <= outer)
        level, spread, n_sky = _clipped_mean(np.where(ring, cut, np.nan).reshape(n, -1))
        flat = np.where(good, cut - level[:, None, None], 0.0)
        if recentre and round_ < 3:
            window = max(typical, 0.8)
            x2, y2 = window_centres(flat, x, y, window)
            lost = ~np.isfinite(x2) | (np.hypot(x2 - dx, y2 - dy) > max(2.0, 1.5 * typical))
            x, y = np.where(lost, x, x2), np.where(lost, y, y2)
            shift_x, shift_y = np.rint(x).astype(int), np.rint(y).astype(int)
            if np.any(shift_x) or np.any(shift_y):
                columns, rows = columns + shift_x, rows + shift_y
                x, y, dx, dy = x - shift_x, y - shift_y, dx - shift_x, dy - shift_y
                cut = cut_out(image, columns, rows, half)
                good = np.isfinite(cut)
                flat = np.where(good, cut - level[:, None, None], 0.0)
        radius, flux, slope, failed, mean_radius, aperture, core = _radii_of(
            flat, x, y, radius, half, total_flux, wings
        )
        radius = np.where(failed, np.clip(guess, 0.5, half / _SKY_OUT), radius)
    lit = np.where(distance <= np.maximum(2.0 * radius, 1.5)[:, None, None], cut, -np.inf)
    if ceiling is not None:
        flags[(lit >= ceiling).any(axis=(1, 2))] |= StarFlag.SATURATED
    edge = (
        (columns - 2 * radius < 0)
        | (rows - 2 * radius < 0)
        | (columns + 2 * radius > image.shape[1] - 1)
        | (rows + 2 * radius > image.shape[0] - 1)
    )
    flags[edge] |= StarFlag.EDGE
    pixel_noise = spread if noise is None else np.full(n, noise)
    flux_sigma, sigma = _uncertainty(
        radius, flux, slope, aperture, core, pixel_noise, n_sky, gain, total_flux is not None
    )
    flags[failed] |= StarFlag.UNMEASURED
    elongation = window_elongation(flat, x, y, max(1.5 * float(np.median(radius)), 1.0))
    nan = np.where(failed, np.nan, 1.0)
    return (
        columns + x,
        rows + y,
        radius * nan,
        sigma * nan,
        mean_radius * nan,
        flux * nan,
        flux_sigma * nan,
        level,
        elongation,
        flags,
    )


def _radii_of(flat, x, y, radius, half, total_flux, wings):
    """One pass: growth curve about the present guess, total flux, half-flux radius."""
    n = len(flat)
    # One set of radii serves the whole batch; each star finds its own half on it.
    typical = float(np.median(radius))
    steps = np.unique(
        np.clip(np.concatenate([_STEPS * typical, [1.5 * _TOTAL * typical]]), 0.3, half - 1.5)
    )
    sums = aperture_sums(flat, x, y, steps)
    growth = np.concatenate([np.zeros((n, 1)), sums], axis=1)
    knots = np.concatenate([[0.0], steps]) ** 2
    aperture = np.minimum(_TOTAL * np.clip(radius, 0.5 * typical, 1.5 * typical), steps[-1])
    if total_flux is None:
        flux = np.array([np.interp(a * a, knots, g) for a, g in zip(aperture, growth, strict=True)])
        flux = flux / (1 - wings)
    else:
        flux = total_flux
    goal = FLUX_FRACTION * flux
    over = growth >= goal[:, None]
    first = over.argmax(axis=1)
    failed = ~over.any(axis=1) | (flux <= 0) | (first == 0)
    first = np.clip(first, 1, len(knots) - 1)
    i = np.arange(n)
    low, high = growth[i, first - 1], growth[i, first]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (goal - low) / (high - low)
        r2 = knots[first - 1] + share * (knots[first] - knots[first - 1])
        new = np.sqrt(r2)
        slope = (high - low) / (knots[first] - knots[first - 1])  # dF / d(r^2)
        middle = np.sqrt(0.5 * (knots[1:] + knots[:-1]))
        inside = np.sqrt(knots[1:]) <= aperture[:, None] + 1e-9
        mean_radius = (np.diff(growth, axis=1) * middle * inside).sum(axis=1) / flux
    failed |= ~np.isfinite(new)
    return new, flux, slope, failed, mean_radius, aperture, goal


def _uncertainty(radius, flux, slope, aperture, core, pixel_noise, n_sky, gain, known):
    """Uncertainty of the radius, from pixel, photon and sky-level noise in core and outskirts."""
    core_area, whole_area = np.pi * radius**2, np.pi * aperture**2
    photons = np.maximum(flux, 0) / gain if gain else np.zeros_like(flux)
    var_pixel = pixel_noise**2
    var_sky = var_pixel / np.maximum(n_sky, 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        flux_var = photons + var_pixel * whole_area + var_sky * whole_area**2
        f = 0.0 if known else FLUX_FRACTION
        # core - f x whole: the core counts (1 - f), the outskirts -f.
        outer = np.zeros_like(flux) if known else whole_area - core_area
        var = (
            (1 - f) ** 2 * (photons / 2 + var_pixel * core_area)
            + f**2 * (photons / 2 + var_pixel * outer)
            + var_sky * (core_area - f * whole_area) ** 2
        )
        sigma = np.sqrt(var) / (2 * radius * slope)
    return np.sqrt(flux_var), np.where(slope > 0, sigma, np.nan)


def _clipped_mean(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Clipped mean, spread and count of each row; NaN is not there."""
    values = np.where(np.isfinite(values).any(axis=1)[:, None], values, 0.0)
    for _ in range(4):
        middle = np.nanmedian(values, axis=1)
        spread = 1.4826 * np.nanmedian(np.abs(values - middle[:, None]), axis=1)
        keep = np.abs(values - middle[:, None]) <= 3 * np.maximum(spread, 1e-12)[:, None]
        values = np.where(keep, values, np.nan)
    return np.nanmean(values, axis=1), np.nanstd(values, axis=1), np.isfinite(values).sum(axis=1)
