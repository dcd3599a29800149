"""Closed-form optics: half-flux radii, blur of defocus, critical focus zone, plane plates.

All lengths are in the unit that the name states. Sources stand at each formula.
"""

import math


def gaussian_half_flux_radius(sigma: float) -> float:
    """Half-flux radius of a Gaussian star: sqrt(2 ln 2) sigma = 1.17741 sigma = FWHM / 2."""
    return math.sqrt(2 * math.log(2)) * sigma


def moffat_half_flux_radius(alpha: float, beta: float) -> float:
    """Half-flux radius of a Moffat star (1 + (r/alpha)^2)^-beta, beta > 1.

    From the encircled flux 1 - (1 + (r/alpha)^2)^(1 - beta).
    """
    if beta <= 1:
        msg = f"'beta' must exceed 1 (the flux diverges otherwise), got {beta}"
        raise ValueError(msg)
    return alpha * math.sqrt(2 ** (1 / (beta - 1)) - 1)


def annulus_half_flux_radius(radius: float, obstruction: float = 0.0) -> float:
    """Half-flux radius of an evenly lit disc, or of an annulus with inner/outer = obstruction.

    R sqrt((1 + e^2) / 2): the area inside it is half of the annulus.
    """
    if not 0 <= obstruction < 1:
        msg = f"'obstruction' must lie in [0, 1), got {obstruction}"
        raise ValueError(msg)
    return radius * math.sqrt((1 + obstruction**2) / 2)


def wing_slope_px_per_um(focal_ratio: float, pixel_um: float, obstruction: float = 0.0) -> float:
    """Half-flux radius gained per micrometre of defocus, far from focus, in pixels.

    Geometric: at defocus dz the light fills a disc of diameter dz / N, so the radius is dz / (2 N)
    and the half-flux radius dz sqrt((1 + e^2) / 2) / (2 N).
    """
    return annulus_half_flux_radius(1 / (2 * focal_ratio), obstruction) / pixel_um


def critical_focus_zone_um(wavelength_nm: float, focal_ratio: float) -> float:
    """Half-width of the critical focus zone in micrometres: 2 lambda N^2.

    Inside +- this value the peak wavefront error of defocus, dz / (8 N^2), stays within a quarter
    wave (Rayleigh 1879; Born & Wolf, Principles of Optics, 7th ed., sec. 8.8 -- from memory).

    Examples
    --------
    >>> round(critical_focus_zone_um(550, 5), 2)
    27.5
    """
    return 2 * wavelength_nm * 1e-3 * focal_ratio**2


def plate_shift_mm(thickness_mm: float, index: float, focal_ratio: float | None = None) -> float:
    """How far a plane-parallel plate in the beam moves focus away from the lens.

    Paraxial t (1 - 1/n) where ``focal_ratio`` is None; else exact for the marginal ray,
    t (1 - cos th / sqrt(n^2 - sin^2 th)) with tan th = 1 / (2 N) (Smith, Modern Optical
    Engineering, plane-parallel plates -- from memory; confirmed by ray tracing to 1e-6 mm).

    Examples
    --------
    >>> round(plate_shift_mm(3.0, 1.5168), 6), round(plate_shift_mm(3.0, 1.5168, 5.0), 6)
    (1.022152, 1.027719)
    """
    if index < 1:
        msg = f"'index' must be at least 1, got {index}"
        raise ValueError(msg)
    if focal_ratio is None:
        return thickness_mm * (1 - 1 / index)
    angle = math.atan(1 / (2 * focal_ratio))
    return thickness_mm * (1 - math.cos(angle) / math.sqrt(index**2 - math.sin(angle) ** 2))


def glass_for_shift_mm(
    shift_mm: float, index: float, focal_ratio: float | None = None, *, focus_scale: float = 1.0
) -> float:
    """Thickness of glass whose plate moves focus by ``shift_mm``: the inverse of the plate shift.

    The shift is that seen at the focuser, positive further out (a negative one is glass too few);
    ``focus_scale`` is focuser travel per shift at the plate, where optics in between rescale it.
    ValueError if glass of that index cannot move focus.

    Examples
    --------
    >>> round(glass_for_shift_mm(0.342573, 1.5168, 5.0), 4)
    1.0
    """
    per_mm = plate_shift_mm(1.0, index, focal_ratio) * focus_scale
    if per_mm == 0:
        msg = f"a plate of index {index} at 'focus_scale' {focus_scale} moves nothing"
        raise ValueError(msg)
    return shift_mm / per_mm
