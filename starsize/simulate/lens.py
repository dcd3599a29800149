"""The telescope of a simulation: where each colour, pupil zone and place in the field focuses."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

#: Sellmeier coefficients B1 B2 B3, C1 C2 C3 (um^2): Schott N-BK7, F2, SF2, N-ZK7 and Ohara S-FPL53
#: data sheets, as collected in the public-domain refractiveindex.info database.
SELLMEIER: Final[Mapping[str, tuple[float, ...]]] = {
    "N-BK7": (1.03961212, 0.231792344, 1.01046945, 0.00600069867, 0.0200179144, 103.560653),
    "F2": (1.34533359, 0.209073176, 0.937357162, 0.00997743871, 0.0470450767, 111.886764),
    "SF2": (1.40301821, 0.231767504, 0.939056586, 0.0105795466, 0.0493226978, 112.405955),
    "N-ZK7": (1.07715032, 0.168079109, 0.851889892, 0.00676601657, 0.0230642817, 89.0498778),
    "S-FPL53": (0.983532327, 0.069568814, 1.11409238, 0.00492234955, 0.0193581091, 264.275294),
}

#: Fraunhofer lines F, d and C in nanometres (ISO 7944).
LINE_F_NM: Final = 486.1327
LINE_D_NM: Final = 587.5618
LINE_C_NM: Final = 656.2725


def refractive_index(glass: str, wavelength_nm: float) -> float:
    """Index of a glass of ``SELLMEIER`` in air: n^2 = 1 + sum B L^2 / (L^2 - C), L in um.

    Examples
    --------
    >>> round(refractive_index("N-BK7", 587.5618), 5)
    1.5168
    """
    if glass not in SELLMEIER:
        msg = f"'glass' must be one of {', '.join(SELLMEIER)}, got {glass!r}"
        raise ValueError(msg)
    b1, b2, b3, c1, c2, c3 = SELLMEIER[glass]
    square = (wavelength_nm * 1e-3) ** 2
    terms = b1 / (square - c1) + b2 / (square - c2) + b3 / (square - c3)
    return float((1 + square * terms) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A telescope without its filter.

    Attributes
    ----------
    focal_length_mm, aperture_mm : float
    obstruction : float
        Diameter of the central obstruction over that of the aperture.
    glasses : tuple of two str, or None
        Crown and flint of a thin achromat; None for mirrors, which have no colour.
    colour_share : float
        Share of the colour of those two glasses that is left, for lenses of more elements.
    spherical_um : float
        Longitudinal spherical aberration: focus of the edge of the pupil minus that of its centre.
        It grows with the square of the height in the pupil.
    curvature_um : float
        How much further out the corners of the sensor focus than its centre.
    tilt_x_um, tilt_y_um : float
        How much further out the edge at greatest x (y) focuses than the centre.
    """

    focal_length_mm: float = 480.0
    aperture_mm: float = 87.3
    obstruction: float = 0.0
    glasses: tuple[str, str] | None = None
    colour_share: float = 1.0
    spherical_um: float = 0.0
    curvature_um: float = 0.0
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_length_mm / self.aperture_mm

    def colour_shift_um(self, wavelength_nm: float) -> float:
        """Focus of one wavelength minus that of the d line, on axis, positive outward.

        Thin lenses in contact whose powers bring F and C together: f1 = f (V1 - V2) / V1 and
        f2 = -f (V1 - V2) / V2 with V = (n_d - 1) / (n_F - n_C) (Smith, Modern Optical Engineering,
        achromatic doublets -- from memory).

        Accuracy: the published glass constants give the shifts of the test to 0.2 %
        (tests/simulate/test_lens.py).
        """
        if self.glasses is None:
            return 0.0
        crown, flint = self.glasses
        v_crown, v_flint = _abbe_number(crown), _abbe_number(flint)
        share_crown = v_crown / (v_crown - v_flint)
        power = share_crown * _relative_power(crown, wavelength_nm) + (
            1 - share_crown
        ) * _relative_power(flint, wavelength_nm)
        return self.colour_share * self.focal_length_mm * 1e3 * (1 / power - 1)

    def field_shift_um(self, u: float, v: float) -> float:
        """Focus at a place of the sensor minus that at its centre; u, v run from -1 to 1."""
        return self.curvature_um * (u * u + v * v) / 2 + self.tilt_x_um * u + self.tilt_y_um * v


def _relative_power(glass: str, wavelength_nm: float) -> float:
    """Power of a thin lens of this glass at a wavelength over that at the d line."""
    return (refractive_index(glass, wavelength_nm) - 1) / (refractive_index(glass, LINE_D_NM) - 1)


def _abbe_number(glass: str) -> float:
    """V_d = (n_d - 1) / (n_F - n_C)."""
    spread = refractive_index(glass, LINE_F_NM) - refractive_index(glass, LINE_C_NM)
    return (refractive_index(glass, LINE_D_NM) - 1) / spread
