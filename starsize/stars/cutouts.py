"""Small squares of pixels about many places at once."""

import numpy as np


def cut_out(image: np.ndarray, columns: np.ndarray, rows: np.ndarray, half: int) -> np.ndarray:
    """Squares of ``2 half + 1`` pixels about whole-pixel places, NaN beyond the frame.

    Parameters
    ----------
    image : (ny, nx) array
    columns, rows : (n,) int arrays
    half : int

    Returns
    -------
    (n, 2 half + 1, 2 half + 1) float32 array
    """
    ny, nx = image.shape
    steps = np.arange(-half, half + 1)
    yy = rows[:, None] + steps
    xx = columns[:, None] + steps
    inside = (yy >= 0) & (yy < ny), (xx >= 0) & (xx < nx)
    squares = image[np.clip(yy, 0, ny - 1)[:, :, None], np.clip(xx, 0, nx - 1)[:, None, :]]
    squares = squares.astype(np.float32)
    if not (inside[0].all() and inside[1].all()):
        squares[~(inside[0][:, :, None] & inside[1][:, None, :])] = np.nan
    return squares
