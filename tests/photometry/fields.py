"""Star fields with known truth for the tests of this layer, drawn by closed forms and GalSim."""

from pathlib import Path

import numpy as np
from astropy.io import fits

REAL = Path(__file__).parents[2] / "testdata" / "real"
#: Half-flux radii of real doughnuts, measured by others (README.md beside them).
DOUGHNUTS = {
    "DECam_00284692.S25.0020": 17.42,
    "DECam_00284696.S4.0007": 16.91,
    "DECam_00284696.S4.0088": 16.85,
    "DECam_00284696.S4.0093": 16.91,
    "DECam_00804541.S4.0096": 17.86,
}
NOISE, SKY = 10.0, 800.0


def doughnut(name):
    return fits.getdata(REAL / "decam_donuts" / f"{name}.stamp.fits").astype(np.float32)


def on_wide_sky(stamp, seed=0, side=300, top=120, left=110):
    """The stamp on a sky that is as high and as noisy as the stamp's own edge."""
    rim = np.concatenate([stamp[0], stamp[-1], stamp[:, 0], stamp[:, -1]])
    sky = np.median(rim)
    noise = 1.4826 * np.median(np.abs(rim - sky))
    wide = np.random.default_rng(seed).normal(sky, noise, (side, side)).astype(np.float32)
    wide[top : top + stamp.shape[0], left : left + stamp.shape[1]] = stamp
    return wide


def ring(shape, x, y, flux, outer, hole=0.35):
    """An even ring of light, its edges smoothed over a pixel."""
    rows, columns = np.indices(shape)
    r = np.hypot(columns - x, rows - y)
    light = np.clip(outer - r + 0.5, 0, 1) - np.clip(hole * outer - r + 0.5, 0, 1)
    return flux * light / light.sum()


def moffat(shape, x, y, flux, *, half_px=2.0, beta=3.5, times=5):
    """Pixel sums of a Moffat star of that half-flux radius (r50 = a sqrt(2^(1/(b-1)) - 1))."""
    a = half_px / np.sqrt(2 ** (1 / (beta - 1)) - 1)
    image = np.zeros(shape)
    reach = int(14 * half_px + 6)
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = image[top : int(y) + reach + 1, left : int(x) + reach + 1]
    rows, columns = np.indices(part.shape)
    offsets = (np.arange(times) + 0.5) / times - 0.5
    for dy in offsets:
        for dx in offsets:
            r2 = (columns + left + dx - x) ** 2 + (rows + top + dy - y) ** 2
            part += (1 + r2 / a**2) ** -beta
    part *= flux * (beta - 1) / (np.pi * a**2) / times**2
    return image


def noisy(light, seed=0, *, gain=1.0, sky=SKY):
    rng = np.random.default_rng(seed)
    return sky + light + rng.standard_normal(light.shape) * np.sqrt(NOISE**2 + light / gain)


def moffat_field(shape, n, seed, *, fluxes, gap=40, **star):
    """Stars apart from each other; returns light, places and fluxes."""
    rng = np.random.default_rng(seed)
    light, places = np.zeros(shape), []
    while len(places) < n:
        p = rng.uniform(25, np.array(shape[::-1]) - 25)
        if all(np.hypot(*(p - q)) > gap for q in places):
            places.append(p)
    for (x, y), flux in zip(places, fluxes, strict=True):
        light += moffat(shape, x, y, flux, **star)
    return light, np.array(places)
