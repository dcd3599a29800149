"""Invented star fields with known truth for the tests of this layer: light by sums, no formulas.

A star is an annulus of light smeared by Moffat seeing on a fine grid, then summed into pixels.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.interpolate import CubicSpline
from scipy.signal import fftconvolve

from starsize.frames.frame import FrameFacts, Sweep

FINE = 4


def fine_star(disc_px, *, obstruction=0.0, fwhm_px=3.0, beta=3.5, half=None):
    """A star of unit flux on a grid FINE times finer than the pixels, odd size."""
    half = half or int(np.ceil(disc_px + 8 * fwhm_px))
    n = half * FINE
    y, x = np.mgrid[-n : n + 1, -n : n + 1] / FINE
    r = np.hypot(x, y)
    alpha = fwhm_px / (2 * np.sqrt(2 ** (1 / beta) - 1))
    seeing = (1 + (r / alpha) ** 2) ** -beta
    seeing /= np.pi * alpha**2 / (beta - 1) * FINE**2
    if disc_px <= 0:
        return seeing
    edge = np.clip((disc_px - r) * FINE + 0.5, 0, 1)
    hole = np.clip((obstruction * disc_px - r) * FINE + 0.5, 0, 1) if obstruction else 0.0
    pupil = edge - hole
    return fftconvolve(seeing, pupil / pupil.sum(), mode="same")


def pixels(fine, dx, dy):
    """Sum a fine star into pixels, its centre ``(dx, dy)`` from the middle pixel."""
    n = fine.shape[0] // 2
    half = n // FINE - 1
    sx, sy = round(dx * FINE), round(dy * FINE)
    # An even number of fine cells makes a pixel, so its outer ones count half on each side.
    weight = np.r_[0.5, np.ones(FINE - 1), 0.5]
    size = 2 * half + 1
    out = np.zeros((size, size))
    for j, wj in enumerate(weight):
        for i, wi in enumerate(weight):
            top = n - half * FINE - FINE // 2 + j - sy
            left = n - half * FINE - FINE // 2 + i - sx
            out += wj * wi * fine[top : top + size * FINE : FINE, left : left + size * FINE : FINE]
    return out, sx / FINE, sy / FINE


def true_radius(disc, share=0.5, **star):
    """Radius of a share of the light of a star behind a hole of 0.3, as it fell: an integral."""
    fine = fine_star(disc, obstruction=0.3, **star)
    profile = fine[fine.shape[0] // 2, fine.shape[0] // 2 :]
    r = np.arange(len(profile)) / FINE
    light = CubicSpline(r, profile * r).antiderivative()
    (radius,) = light.solve(share * light(r[-1]), extrapolate=False)[:1]
    return radius


def draw(shape, places, fluxes, fine, *, sky=800.0, noise=10.0, gain=1.0, rng=None):
    """A frame of stars; also the places as drawn (the fine grid rounds them)."""
    image = np.full(shape, float(sky))
    drawn = np.array(places, float)
    for k, ((x, y), flux) in enumerate(zip(places, fluxes, strict=True)):
        ix, iy = round(x), round(y)
        stamp, dx, dy = pixels(fine, x - ix, y - iy)
        drawn[k] = ix + dx, iy + dy
        half = stamp.shape[0] // 2
        y0, y1 = max(iy - half, 0), min(iy + half + 1, shape[0])
        x0, x1 = max(ix - half, 0), min(ix + half + 1, shape[1])
        if y0 < y1 and x0 < x1:
            part = stamp[y0 - iy + half : y1 - iy + half, x0 - ix + half : x1 - ix + half]
            image[y0:y1, x0:x1] += flux * part
    if rng is not None:
        image += rng.standard_normal(shape) * np.sqrt(noise**2 + (image - sky).clip(0) / gain)
    return image, drawn


def spread_places(rng, shape, n, *, gap, rim):
    """Random places no closer to each other than ``gap``."""
    places = []
    while len(places) < n:
        p = rng.uniform((rim, rim), (shape[1] - rim, shape[0] - rim))
        if all(np.hypot(*(p - q)) >= gap for q in places):
            places.append(p)
    return np.array(places)


@dataclass(frozen=True)
class Motion:
    """Shift in pixels and turn in degrees about the middle of the frame."""

    dx: float = 0.0
    dy: float = 0.0
    turn_deg: float = 0.0

    def __call__(self, places, shape):
        middle = np.array([shape[1] - 1, shape[0] - 1]) / 2
        a = np.radians(self.turn_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        return (places - middle) @ turn.T + middle + (self.dx, self.dy)


def write_sweep(folder, images, *, positions, name="L-1", band="L", **facts):
    """Write images as 16-bit FITS files and list them as a sweep."""
    folder = Path(folder)
    frames = []
    for k, (image, position) in enumerate(zip(images, positions, strict=True)):
        path = folder / f"{name}_{k:02d}.fits"
        data = np.clip(np.rint(image), 0, 65535).astype(np.uint16)
        fits.PrimaryHDU(data).writeto(path, overwrite=True)
        frames.append(
            FrameFacts(path=path, shape=data.shape, filter=band, position_steps=position, **facts)
        )
    return Sweep(id=name, filter=band, frames=tuple(frames))
