"""How light spreads, in the frequency domain: transfer functions of pupil, air and pixel.

The image of a star is described by its optical transfer function, the Fourier transform of its
light, which depends on the spatial frequency alone for a round pupil. Blurs one after another
multiply. Frequencies are in cycles per micrometre on the sensor, lengths in micrometres.

A pupil zone at relative height rho focuses at ``defocus + spherical rho^2`` in front of the
sensor; rays and waves share this description and nothing else.
"""

from functools import lru_cache

import numpy as np
from scipy.special import gamma, j0, j1, kv, struve

_NODES = 12
_TAIL_AIRY_UNITS = 80.0
"""How far beyond the geometric edge, in lambda N, the diffracted light is integrated."""


def panel_nodes(stop: float, panels: int) -> tuple[np.ndarray, np.ndarray]:
    """Gauss-Legendre nodes and weights of ``panels`` equal panels from 0 to ``stop``."""
    node, weight = _legendre(_NODES)
    edges = np.linspace(0.0, stop, panels + 1)
    half = stop / panels / 2
    nodes = ((edges[:-1] + half)[:, None] + half * node).ravel()
    return nodes, np.tile(half * weight, panels)


def ray_transfer(
    frequency: np.ndarray,
    defocus_um: float,
    *,
    focal_ratio: float,
    obstruction: float = 0.0,
    spherical_um: float = 0.0,
) -> np.ndarray:
    """Transfer function of straight rays from an evenly lit round or annular pupil.

    A ray from height rho lands rho |defocus + spherical rho^2| / (2 N) from the centre; a thin
    ring of radius r has the transfer function J0(2 pi f r).
    """
    edge = _ray_edge_um(defocus_um, spherical_um, focal_ratio)
    panels = 2 + int(2 * edge * float(np.max(frequency, initial=0.0)) / 3)
    area, weight = panel_nodes(1 - obstruction**2, panels)
    area = area + obstruction**2  # evenly lit: equal light in equal steps of rho^2
    radius = np.sqrt(area) / (2 * focal_ratio) * (defocus_um + spherical_um * area)
    return j0(2 * np.pi * np.outer(frequency, radius)) @ weight / (1 - obstruction**2)


def wave_transfer(
    frequency: np.ndarray,
    defocus_um: float,
    *,
    wavelength_nm: float,
    focal_ratio: float,
    obstruction: float = 0.0,
    spherical_um: float = 0.0,
) -> np.ndarray:
    """Transfer function of one colour by scalar diffraction.

    The wave error is the integral of the transverse ray error, defocus rho^2 / (8 N^2) +
    spherical rho^4 / (16 N^2); the amplitude its Hankel transform over the pupil (Born & Wolf,
    Principles of Optics, sec. 8.8 -- from memory). Light beyond the integrated range follows the
    mean edge wave, 1 - E(r) = 2 lambda N / (pi^2 r (1 - e)).

    Accuracy: half-flux radii within 0.01 % of independent quadrature, clear and obstructed, up to
    four waves of defocus (tests/simulate/test_transfer.py).
    """
    airy_um = wavelength_nm * 1e-3 * focal_ratio
    # Coarse steps, so that neighbouring focus positions share their kernels.
    reach = 16 * np.ceil(_ray_edge_um(defocus_um, spherical_um, focal_ratio) / airy_um / 16)
    reach = float(reach + _TAIL_AIRY_UNITS)
    area, area_weight, radius, radius_weight, spread = _pupil_kernel(reach, obstruction)
    wave_um = (defocus_um * area + spherical_um * area**2 / 2) / (8 * focal_ratio**2)
    field = spread @ (area_weight * np.exp(2j * np.pi * wave_um / (wavelength_nm * 1e-3)))
    light = np.abs(field) ** 2 * np.pi / (4 * (1 - obstruction**2))  # per (lambda N)^2
    nu = frequency * airy_um  # the pupil's own unit: cutoff at 1
    inside = np.minimum(nu, 1.0)
    kernel = _radial_kernel(inside.tobytes(), reach)
    transfer = kernel @ (2 * np.pi * radius * radius_weight * light)
    transfer += 2 / (np.pi**2 * reach * (1 - obstruction)) * _tail(2 * np.pi * inside * reach)
    return np.where(nu < 1, transfer, 0.0)


def moffat_transfer(frequency: np.ndarray, *, fwhm_um: float, beta: float) -> np.ndarray:
    """Transfer function of Moffat seeing, (1 + (r / alpha)^2)^-beta.

    2 (x/2)^(beta-1) K_(beta-1)(x) / Gamma(beta-1) with x = 2 pi alpha f (the Matern pair).
    """
    if fwhm_um == 0:
        return np.ones_like(frequency)
    alpha = fwhm_um / (2 * np.sqrt(2 ** (1 / beta) - 1))
    x = np.maximum(2 * np.pi * alpha * frequency, 1e-9)
    return 2 / gamma(beta - 1) * (x / 2) ** (beta - 1) * kv(beta - 1, x)


def kolmogorov_transfer(frequency: np.ndarray, *, fwhm_um: float) -> np.ndarray:
    """Transfer function of long exposures through Kolmogorov turbulence.

    exp(-3.44 (f lambda / r0)^(5/3)) with FWHM = 0.976 lambda / r0 (Fried 1966 -- from memory).
    """
    return np.asarray(np.exp(-3.44 * (frequency * fwhm_um / 0.976) ** (5 / 3)))


def pixel_transfer_mean(cycles_per_px: np.ndarray, *, times: int) -> np.ndarray:
    """Transfer function of a square pixel applied ``times`` over, averaged over directions."""
    node, weight = _legendre(24)
    angle = (node + 1) * np.pi / 8
    fx, fy = (np.outer(cycles_per_px, g(angle)) for g in (np.cos, np.sin))
    return (np.sinc(fx) * np.sinc(fy)) ** times @ weight / 2


def encircled(
    radius: float, frequency: np.ndarray, weight: np.ndarray, transfer: np.ndarray
) -> float:
    """Share of the light inside a radius: 2 pi r int M(f) J1(2 pi f r) df.

    ``weight`` are the quadrature weights of the frequency nodes.
    """
    return float(2 * np.pi * radius * (weight * transfer) @ j1(2 * np.pi * frequency * radius))


@lru_cache(maxsize=2)
def _legendre(nodes: int) -> tuple[np.ndarray, np.ndarray]:
    return np.polynomial.legendre.leggauss(nodes)


def _ray_edge_um(defocus_um: float, spherical_um: float, focal_ratio: float) -> float:
    """Radius that holds all rays."""
    return (abs(defocus_um) + abs(spherical_um)) / (2 * focal_ratio)


@lru_cache(maxsize=32)
def _pupil_kernel(
    reach: float, obstruction: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Quadrature over pupil area and image radius (in lambda N), and J0 between the two."""
    # At most three turns of phase per panel, at the edge of the pupil and of the image.
    height, weight = panel_nodes(1 - obstruction, 4 + int(reach / 4))
    height = height + obstruction
    radius, radius_weight = panel_nodes(reach, int(np.ceil(reach / 2)))
    spread = j0(np.pi * np.outer(radius, height))
    return height**2, 2 * height * weight, radius, radius_weight, spread


@lru_cache(maxsize=48)
def _radial_kernel(nu_bytes: bytes, reach: float) -> np.ndarray:
    """J0 between frequencies (in 1 / (lambda N)) and the radii of ``_pupil_kernel``."""
    radius, _ = panel_nodes(reach, int(np.ceil(reach / 2)))
    return j0(2 * np.pi * np.outer(np.frombuffer(nu_bytes), radius))


def _struve(order: int, a: np.ndarray) -> np.ndarray:
    """Struve function; scipy's is NaN where it passes through zero, as order 0 at 25.765362."""
    return np.nan_to_num(struve(order, a))


def _tail(a: np.ndarray) -> np.ndarray:
    """Integral of J0(a t) / t^2 from t = 1 to infinity: the transform of a 1/r^3 tail."""
    # Integral of J0 from 0 to a by Struve functions (DLMF 10.22.2, from memory); scipy's own
    # itj0y0 loses it at large a before 1.17.
    from_zero = a * j0(a) + np.pi * a / 2 * (j1(a) * _struve(0, a) - j0(a) * _struve(1, a))
    return j0(a) - a * (1 - (from_zero - j1(a)))
