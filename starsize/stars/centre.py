"""Sub-pixel centre and shape of a star, from moments under a Gaussian window."""

import numpy as np

_ROUNDS = 12
_PIXEL_VARIANCE = 1 / 12
#: Done when all but a few stars (noise, trails: they never settle) move by less than this.
_SETTLED, _RESTLESS = 0.003, 0.01
#: Stars that have settled are left alone once they are so many that parting them pays.
_WORTH_PARTING = 0.7
#: Nothing counts beyond so many widths of the window.
_REACH = 3.0
#: Half-flux radii (pixels) of sharp stars, and how far the balance draws their centres towards the
#: middle of the pixel at most: by this times the sine of the phase (drawn by GalSim, Moffat 3.5).
_SHARP_RADII, _DRAWN = (
    (0.6, 0.734, 0.89, 1.013, 1.174, 1.4),
    (0.112, 0.068, 0.030, 0.012, 0.003, 0.0),
)


def window_centres(
    cutouts: np.ndarray, dx: np.ndarray, dy: np.ndarray, window: float
) -> tuple[np.ndarray, np.ndarray]:
    """Centre of each star: the place about which its light balances under a Gaussian window.

    A window as wide as the star's half-flux radius takes in a whole doughnut, so a ring balances
    about its middle, and a neighbour further out counts little.

    Parameters
    ----------
    cutouts : (n, w, w) array
        Background-free pixels, ``w`` odd.
    dx, dy : (n,) arrays
        First guess, pixels from the centre of the middle pixel.
    window : float
        Standard deviation of the window, pixels.

    Returns
    -------
    dx, dy : (n,) arrays
        NaN where the light does not balance within a window's width of the guess.
    """
    cutouts = _crop(cutouts, window)
    half = cutouts.shape[1] // 2
    steps = np.arange(-half, half + 1)
    x, y = dx.astype(float), dy.astype(float)
    flux, active = np.zeros(len(x)), np.arange(len(x))
    for _ in range(_ROUNDS):
        about = steps - x[active, None], steps - y[active, None]
        light, mx, my = _first_moments(cutouts, *about, window)
        with np.errstate(divide="ignore", invalid="ignore"):
            step_x, step_y = _step(mx / light, window), _step(my / light, window)
        x[active] += step_x
        y[active] += step_y
        flux[active] = light
        moving = np.maximum(np.abs(step_x), np.abs(step_y)) > _SETTLED
        if np.count_nonzero(moving) <= _RESTLESS * len(x):
            break
        if np.count_nonzero(moving) < _WORTH_PARTING * len(active):
            active, cutouts = active[moving], cutouts[moving]
    lost = (flux <= 0) | (np.hypot(x - dx, y - dy) > max(1.5 * window, 1.5))
    return np.where(lost, np.nan, x), np.where(lost, np.nan, y)


def free_of_pixels(offset: np.ndarray, radius_px: float) -> np.ndarray:
    """Put right the centres of sharp stars, which balance too near the middle of a pixel.

    Parameters
    ----------
    offset : (n,) array
        Centre found, from the middle of any pixel.
    radius_px : float
        Half-flux radius.

    Returns
    -------
    (n,) array
    """
    drawn = float(np.interp(radius_px, _SHARP_RADII, _DRAWN))
    if drawn == 0:
        return offset
    true = offset
    for _ in range(8):
        true = offset + drawn * np.sin(2 * np.pi * true)
    return true


def _crop(cutouts: np.ndarray, window: float) -> np.ndarray:
    """The middle of the cutouts, as far as the window reaches from a star within two pixels."""
    half = cutouts.shape[1] // 2
    cut = max(0, half - int(np.ceil(_REACH * window)) - 2)
    return cutouts[:, cut : 2 * half + 1 - cut, cut : 2 * half + 1 - cut]


def _step(offset: np.ndarray, window: float) -> np.ndarray:
    """One step towards the balance, over-relaxed because a matched window halves each offset."""
    return np.clip(np.nan_to_num(1.5 * offset), -0.5 * window, 0.5 * window)


def _first_moments(
    cutouts: np.ndarray, tx: np.ndarray, ty: np.ndarray, window: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    # The Gaussian is a product of two, so the sums over the square are two short matrix products.
    wx = np.exp(-0.5 * (tx / window) ** 2)
    wy = np.exp(-0.5 * (ty / window) ** 2)
    columns = np.matmul(np.stack([wx, wx * tx], 1, dtype=np.float32), cutouts.swapaxes(1, 2))
    flux = np.einsum("ny,ny->n", columns[:, 0], wy)
    return (
        flux,
        np.einsum("ny,ny->n", columns[:, 1], wy),
        np.einsum("ny,ny->n", columns[:, 0], wy * ty),
    )


def window_flux(cutouts: np.ndarray, dx: np.ndarray, dy: np.ndarray, window: float) -> np.ndarray:
    """Light of each star under a Gaussian window about its centre."""
    cutouts = _crop(cutouts, window)
    half = cutouts.shape[1] // 2
    steps = np.arange(-half, half + 1)
    return _first_moments(cutouts, steps - dx[:, None], steps - dy[:, None], window)[0]


def window_elongation(
    cutouts: np.ndarray, dx: np.ndarray, dy: np.ndarray, window: float
) -> np.ndarray:
    """Ratio of the longer to the shorter axis of each star, from second moments under a window.

    The window makes everything rounder, so the window's own width is taken out again as for a
    Gaussian star (1/s^2 = 1/m^2 - 1/w^2). Infinite where the light runs on through the window;
    NaN where noise leaves nothing.
    """
    cutouts = _crop(cutouts, window)
    half = cutouts.shape[1] // 2
    steps = np.arange(-half, half + 1)
    tx, ty = steps - dx[:, None], steps - dy[:, None]
    wx = np.exp(-0.5 * (tx / window) ** 2)
    wy = np.exp(-0.5 * (ty / window) ** 2)
    weights = np.stack([wx, wx * tx, wx * tx**2], 1, dtype=np.float32)
    columns = np.matmul(weights, cutouts.swapaxes(1, 2))
    flux = np.einsum("ny,ny->n", columns[:, 0], wy)
    with np.errstate(divide="ignore", invalid="ignore"):
        xx = np.einsum("ny,ny->n", columns[:, 2], wy) / flux
        xy = np.einsum("ny,ny->n", columns[:, 1], wy * ty) / flux
        yy = np.einsum("ny,ny->n", columns[:, 0], wy * ty**2) / flux
        mean, half_gap = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
        long2 = _without_window(mean + half_gap, window)
        short2 = _without_window(np.maximum(mean - half_gap, 1e-6), window)
        # Nothing is thinner than a pixel; noise can make a thin line look thinner still.
        short2 = np.where(short2 > 0, np.maximum(short2, _PIXEL_VARIANCE), short2)
        ratio = np.where(long2 > 0, np.sqrt(np.abs(long2 / short2)), np.inf)
    return np.where((flux > 0) & (mean > 0) & (short2 > 0), ratio, np.nan)


def _without_window(moment: np.ndarray, window: float) -> np.ndarray:
    """Second moment less the window's part; negative where the light runs on through the window."""
    return 1 / (1 / moment - 1 / window**2)
