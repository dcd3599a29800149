"""A star as pixels: one finely sampled image, laid down anywhere between the pixels."""

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft2, next_fast_len
from scipy.interpolate import CubicSpline

from .blur import Blur

_FINE = 5
"""Samples per pixel of the fine image."""


@dataclass(frozen=True, slots=True, eq=False)
class StarStamp:
    """Light that a pixel at any place relative to a star collects, for a star of unit flux.

    Attributes
    ----------
    phases : (k, k, m, m) float array
        ``phases[b, a, j, i]`` is the fine image at row ``j k + b``, column ``i k + a``.
    half_px : int
        The stamp reaches this many pixels to each side of the star's own pixel.
    """

    phases: np.ndarray
    half_px: int


def star_stamp(blur: Blur, *, trail_px: float = 0.0, half_px: int | None = None) -> StarStamp:
    """Draw the fine image of a star, every sample already summed over the area of a pixel.

    Parameters
    ----------
    blur : Blur
    trail_px : float
        Length of the line along x over which the star moved while the shutter was open.
    half_px : int, optional
        Reach; by default far enough for all but the faint halo of diffraction.

    Returns
    -------
    StarStamp
    """
    if half_px is None:
        half_px = int(np.ceil(blur.edge_px + 5 * blur.seeing_px + trail_px / 2 + 24))
    pixels = 2 * half_px + 4
    # Half as much again on the grid, so that the halo that wraps round stays out of the stamp.
    size = next_fast_len(int(1.5 * pixels * _FINE) // 2 * 2, real=True)
    fx = np.fft.rfftfreq(size, 1 / _FINE)
    fy = np.fft.fftfreq(size, 1 / _FINE)[:, None]
    transfer = _on_grid(blur, np.hypot(fx, fy))
    transfer *= np.sinc(fx) * np.sinc(fy) * np.sinc(fx * trail_px)
    fine = np.fft.fftshift(irfft2(transfer, s=(size, size))) * _FINE**2
    start = size // 2 - (half_px + 2) * _FINE
    kept = fine[start : start + pixels * _FINE, start : start + pixels * _FINE]
    phases = kept.reshape(pixels, _FINE, pixels, _FINE).transpose(1, 3, 0, 2)
    return StarStamp(np.ascontiguousarray(phases), half_px)


def add_stars(
    image: np.ndarray, stamp: StarStamp, stars: np.ndarray, *, reach_px: np.ndarray | None = None
) -> None:
    """Add stars to an image in place.

    Parameters
    ----------
    image : (ny, nx) float array
    stamp : StarStamp
    stars : (n, 3) array
        Columns x, y and flux; places outside the image are allowed.
    reach_px : (n,) int array, optional
        Smaller reach for faint stars, whose halo is not worth the time.
    """
    rows, columns = image.shape
    reaches = np.full(len(stars), stamp.half_px) if reach_px is None else reach_px
    for (x, y, flux), reach in zip(stars, reaches, strict=True):
        half = min(int(reach), stamp.half_px)
        ix, iy = round(float(x)), round(float(y))
        x0, x1 = max(ix - half, 0), min(ix + half + 1, columns)
        y0, y1 = max(iy - half, 0), min(iy + half + 1, rows)
        if x0 < x1 and y0 < y1:
            window = (slice(y0 - iy, y1 - iy), slice(x0 - ix, x1 - ix))
            image[y0:y1, x0:x1] += flux * _sample(stamp, x - ix, y - iy, window)


def _on_grid(blur: Blur, frequency: np.ndarray) -> np.ndarray:
    """Transfer function at any frequencies, by splines through its nodes; 0 beyond them."""
    nodes = np.concatenate(([0.0], blur.cycles_per_px))
    values = np.concatenate(([1.0], blur.transfer))
    inside = frequency <= nodes[-1]
    grid = np.zeros_like(frequency)
    grid[inside] = CubicSpline(nodes, values)(frequency[inside])
    return grid


def _sample(stamp: StarStamp, dx: float, dy: float, window: tuple[slice, slice]) -> np.ndarray:
    """Pixels of a unit star whose centre lies (dx, dy) from the middle of its pixel.

    Cubic Lagrange interpolation between the fine samples, along each axis.
    """
    taps_x, taps_y = _taps(-dx * _FINE), _taps(-dy * _FINE)
    origin = stamp.half_px + 2
    rows, columns = window
    total: np.ndarray | float = 0.0
    for step_y, weight_y in taps_y:
        line: np.ndarray | float = 0.0
        down, phase_y = divmod(step_y, _FINE)
        for step_x, weight_x in taps_x:
            right, phase_x = divmod(step_x, _FINE)
            plane = stamp.phases[phase_y, phase_x]
            line = (
                line
                + weight_x
                * plane[
                    origin + rows.start + down : origin + rows.stop + down,
                    origin + columns.start + right : origin + columns.stop + right,
                ]
            )
        total = total + weight_y * line
    return np.asarray(total)


def _taps(place: float) -> list[tuple[int, float]]:
    """The four fine samples about a place, and their Lagrange weights."""
    base = int(np.floor(place))
    t = place - base
    weights = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    return [(base + k - 1, w) for k, w in enumerate(weights)]
