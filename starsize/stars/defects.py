"""Hot pixels: single bright pixels that no star could make."""

from dataclasses import dataclass

import numpy as np

#: Even a star of half-flux radius 0.8 px, centred on a pixel, lifts the median of the eight
#: pixels about it to 14 % of the middle one (a Gaussian of sigma 0.5 px summed over pixels).
_SHARPEST_STAR = 0.07
#: A lone pixel below this many times the noise is too weak to pass for a star.
_LEAST_RATIO = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class HotPixels:
    """Places of hot pixels and what the pixels about them suggest instead.

    Attributes
    ----------
    rows, columns : (n,) int arrays
    value : (n,) array
        Median of the neighbours, ADU.
    """

    rows: np.ndarray
    columns: np.ndarray
    value: np.ndarray


def find_hot_pixels(image: np.ndarray, flat2: np.ndarray, level: float, noise: float) -> HotPixels:
    """Find hot pixels, looking closely only where a 2 x 2 block stands above those beside it.

    Parameters
    ----------
    image : (ny, nx) array
        ADU.
    flat2 : array
        The image binned by 2, sky taken off.
    level, noise : float
        Typical sky and pixel noise, ADU.
    """
    rows, columns = _sharp_blocks(flat2, 0.22 * _LEAST_RATIO * noise)
    ny, nx = image.shape
    inside = (rows > 0) & (columns > 0) & (2 * rows + 2 < ny) & (2 * columns + 2 < nx)
    rows, columns = 2 * rows[inside], 2 * columns[inside]
    block = np.stack([image[rows + j, columns + i] for j in (0, 1) for i in (0, 1)], axis=1)
    top = block.argmax(axis=1)
    rows, columns = rows + top // 2, columns + top % 2
    around = np.stack(
        [image[rows + j, columns + i] for j in (-1, 0, 1) for i in (-1, 0, 1) if i or j], axis=1
    ).astype(float)
    peak = image[rows, columns].astype(float)
    beside = np.median(around, axis=1)
    # The sky under the pixel is taken from its darkest neighbours, so that gradients do not count.
    ground = np.minimum(around.min(axis=1) + 1.4 * noise, level)
    above, lifted = peak - ground, beside - ground
    hot = (peak - beside > _LEAST_RATIO * noise) & (lifted < _SHARPEST_STAR * above + 0.35 * noise)
    return HotPixels(rows[hot], columns[hot], beside[hot])


def _sharp_blocks(flat2: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray]:
    """Blocks that stand by ``least`` above the mean of those to the left and right."""
    found_rows, found_columns = [], []
    for top in range(0, flat2.shape[0], 128):
        part = flat2[top : top + 128]
        contrast = part[:, :-2] + part[:, 2:]
        contrast *= np.float32(-0.5)
        contrast += part[:, 1:-1]
        rows, columns = np.divmod(np.flatnonzero(contrast > least), contrast.shape[1])
        found_rows.append(rows + top)
        found_columns.append(columns + 1)
    return np.concatenate(found_rows), np.concatenate(found_columns)


def mend(image: np.ndarray, hot: HotPixels) -> None:
    """Replace hot pixels in place."""
    value = hot.value if image.dtype.kind == "f" else np.rint(hot.value)
    image[hot.rows, hot.columns] = value.astype(image.dtype)


def mend_binned(flat2: np.ndarray, image: np.ndarray, hot: HotPixels) -> None:
    """Take the excess of hot pixels out of the image binned by 2, in place."""
    excess = image[hot.rows, hot.columns].astype(float) - hot.value
    np.subtract.at(flat2, (hot.rows // 2, hot.columns // 2), (excess / 4).astype(flat2.dtype))
