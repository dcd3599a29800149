"""Large invented star fields with known truth, made fast by stamping one star many times."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from scipy.signal import fftconvolve

SHAPE = (4176, 6248)
FINE = 4  # the star is drawn on a grid this much finer, and stamped at so many sub-pixel places
SKY_ADU, NOISE_ADU, GAIN = 900.0, 16.0, 1.0


@dataclass(frozen=True)
class Field:
    """A frame and what was put into it."""

    image: np.ndarray
    places: np.ndarray
    fluxes: np.ndarray
    radius_px: float
    """Half-flux radius of the stars, by counting on the fine grid with pixels included."""


def star_stamps(disc_px, *, obstruction=0.35, fwhm_px=3.4, beta=3.5):
    """Stamps of unit flux at FINE x FINE sub-pixel places, and their half-flux radius."""
    half = int(np.ceil(disc_px + 8 * fwhm_px))
    n = half * FINE + FINE
    y, x = np.mgrid[-n : n + 1, -n : n + 1] / FINE
    r = np.hypot(x, y)
    alpha = fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    star = (1 + (r / alpha) ** 2) ** -beta * (beta - 1) / (np.pi * alpha**2) / FINE**2
    if disc_px > 0:
        pupil = np.clip((disc_px - r) * FINE + 0.5, 0, 1)
        pupil -= np.clip((obstruction * disc_px - r) * FINE + 0.5, 0, 1)
        star = fftconvolve(star, pupil / pupil.sum(), mode="same")
    box = np.ones(FINE)
    summed = fftconvolve(star, np.outer(box, box), mode="same")
    stamps = {}
    for j in range(FINE):
        for i in range(FINE):
            # An even box is centred half a fine cell off; rolling puts it back on average.
            first = n - half * FINE
            stamps[j, i] = summed[first - j :: FINE, first - i :: FINE][
                : 2 * half + 1, : 2 * half + 1
            ]
    return stamps, half, _true_radius(stamps, half)


def _true_radius(stamps, half):
    """Median half-flux radius of the stamps, exact pixel areas, all light counted."""
    radii = np.arange(0.4, half - 2, 0.02)
    found = []
    for (j, i), stamp in stamps.items():
        dx, dy = ((c + 0.5) / FINE for c in (i, j))
        at = np.array([dx]), np.array([dy])
        near = np.interp(0.5, sums(stamp, *at, radii[::25]), radii[::25])
        close = radii[np.abs(radii - near) < 0.6]
        found.append(np.interp(0.5, sums(stamp, *at, close), close))
    return float(np.median(found))


def sums(stamp, dx, dy, radii):
    """Light of a stamp inside exact circles about a point off its middle."""
    middle = stamp.shape[0] // 2
    x, y = (np.full(len(radii), middle + d[0]) for d in (dx, dy))
    return sep.sum_circle(np.ascontiguousarray(stamp, float), x, y, radii, subpix=0)[0]


def place_stars(light, stamps, half, places, fluxes):
    """Add stars to an image in place; return where they came to lie on the fine grid."""
    shift = 0.5 / FINE  # of the even box, see star_stamps
    cells = np.rint((places - shift) * FINE).astype(int)
    ny, nx = light.shape
    for (ix, iy), (i, j), flux in zip(*np.divmod(cells, FINE), fluxes, strict=True):
        y0, y1 = max(iy - half, 0), min(iy + half + 1, ny)
        x0, x1 = max(ix - half, 0), min(ix + half + 1, nx)
        if y0 < y1 and x0 < x1:
            part = stamps[j, i][y0 - iy + half : y1 - iy + half, x0 - ix + half : x1 - ix + half]
            light[y0:y1, x0:x1] += flux * part
    return cells / FINE + shift


def star_field(
    seed, *, n_stars=3000, disc_px=0.0, hot=0, cosmic=0, shape=SHAPE, least_flux=1500.0, **star
):
    """Draw a field: fluxes as in the sky (many faint, few bright), photon and read-out noise."""
    rng = np.random.default_rng(seed)
    stamps, half, radius = star_stamps(disc_px, **star)
    light = np.zeros(shape, np.float32)
    places = rng.uniform((0, 0), (shape[1], shape[0]), (n_stars, 2))
    fluxes = np.minimum(least_flux * rng.uniform(size=n_stars) ** -1.25, 3e6)
    places = place_stars(light, stamps, half, places, fluxes)
    for top in range(0, shape[0], 256):
        rows = light[top : top + 256]
        noise = rng.standard_normal(rows.shape, dtype=np.float32)
        rows += noise * np.sqrt(NOISE_ADU**2 + rows / GAIN) + SKY_ADU
    spots = rng.integers(0, shape, (hot, 2))
    light[spots[:, 0], spots[:, 1]] += 10 ** rng.uniform(2, 4.5, hot)
    for _ in range(cosmic):
        _scratch(light, rng)
    image = np.clip(np.rint(light), 0, 65535).astype(np.uint16)
    return Field(image, places, fluxes, radius)


def _scratch(light, rng):
    """A cosmic ray: a thin straight track of two to twelve pixels."""
    length, angle = rng.uniform(1, 12), rng.uniform(0, np.pi)
    x, y = rng.uniform(20, light.shape[1] - 20), rng.uniform(20, light.shape[0] - 20)
    t = np.arange(0, length, 0.25)
    rows = np.rint(y + t * np.sin(angle)).astype(int)
    columns = np.rint(x + t * np.cos(angle)).astype(int)
    pixels = np.unique(np.stack([rows, columns], 1), axis=0)
    light[pixels[:, 0], pixels[:, 1]] += 10 ** rng.uniform(2.5, 4)


def write_field(path: Path, field: Field) -> None:
    """Write the frame as 16-bit FITS."""
    fits.PrimaryHDU(field.image).writeto(path, overwrite=True)
