"""A star as pixels: one finely sampled image, laid down anywhere between the pixels."""

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft2, next_fast_len

from .blur import FINE, Blur, in_plane


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


def star_stamp(blur: Blur, *, half_px: int | None = None) -> StarStamp:
    """Draw the fine image of a star, every sample already summed over the area of a pixel.

    Parameters
    ----------
    blur : Blur
    half_px : int, optional
        Reach; by default far enough for all but the faint halo of diffraction. A star that is not
        round reaches as far as its ``field_px``.

    Returns
    -------
    StarStamp
    """
    if blur.plane is not None:
        half_px = blur.field_px // 2 - 2
    elif half_px is None:
        half_px = int(np.ceil(blur.edge_px + 5 * blur.seeing_px + 24))
    pixels = 2 * half_px + 4
    # Half as much again on the grid, so that the halo that wraps round stays out of the stamp.
    size = blur.field_px * FINE or next_fast_len(int(1.5 * pixels * FINE) // 2 * 2, real=True)
    plane = in_plane(blur, size / FINE)
    last = plane.shape[1] - 1
    transfer = np.zeros((size, size // 2 + 1), dtype=plane.dtype)
    transfer[: last + 1, : last + 1] = plane[: last + 1]
    transfer[-last:, : last + 1] = plane[-last:]
    fx = np.fft.rfftfreq(size, 1 / FINE)
    fy = np.fft.fftfreq(size, 1 / FINE)[:, None]
    transfer *= np.sinc(fx) * np.sinc(fy)
    fine = np.fft.fftshift(irfft2(transfer, s=(size, size))) * FINE**2
    start = size // 2 - (half_px + 2) * FINE
    kept = fine[start : start + pixels * FINE, start : start + pixels * FINE]
    phases = kept.reshape(pixels, FINE, pixels, FINE).transpose(1, 3, 0, 2)
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


def _sample(stamp: StarStamp, dx: float, dy: float, window: tuple[slice, slice]) -> np.ndarray:
    """Pixels of a unit star whose centre lies (dx, dy) from the middle of its pixel.

    Cubic Lagrange interpolation between the fine samples, along each axis.
    """
    taps_x, taps_y = _taps(-dx * FINE), _taps(-dy * FINE)
    origin = stamp.half_px + 2
    rows, columns = window
    total: np.ndarray | float = 0.0
    for step_y, weight_y in taps_y:
        line: np.ndarray | float = 0.0
        down, phase_y = divmod(step_y, FINE)
        for step_x, weight_x in taps_x:
            right, phase_x = divmod(step_x, FINE)
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
