"""The telescope of a simulation: where each colour, pupil zone and place in the field focuses."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from .pupil import Pupil

#: Sellmeier coefficients B1 B2 B3, C1 C2 C3 (um^2): Schott and Ohara (S-FPL53) data sheets, as
#: collected in the public-domain refractiveindex.info database; fluorite by Malitson (1963). The
#: last three rows from memory, checked against the catalogue's n_d and V_d.
SELLMEIER: Final[Mapping[str, tuple[float, ...]]] = {
    "N-BK7": (1.03961212, 0.231792344, 1.01046945, 0.00600069867, 0.0200179144, 103.560653),
    "F2": (1.34533359, 0.209073176, 0.937357162, 0.00997743871, 0.0470450767, 111.886764),
    "SF2": (1.40301821, 0.231767504, 0.939056586, 0.0105795466, 0.0493226978, 112.405955),
    "N-ZK7": (1.07715032, 0.168079109, 0.851889892, 0.00676601657, 0.0230642817, 89.0498778),
    "S-FPL53": (0.983532327, 0.069568814, 1.11409238, 0.00492234955, 0.0193581091, 264.275294),
    "CaF2": (0.5675888, 0.4710914, 3.8484723, 0.050263605**2, 0.1003909**2, 34.649040**2),
    "N-BAK4": (1.28834642, 0.132817724, 0.945395373, 0.00779980626, 0.0315631177, 105.965875),
    "N-SF5": (1.52481889, 0.187085527, 1.42729015, 0.011254756, 0.0588995392, 129.141675),
    "N-KZFS4": (1.35055424, 0.197575506, 1.09962992, 0.0087628207, 0.0371767201, 90.3866994),
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
class Group:
    """Thin lenses in contact, powered so that as many colours as glasses focus together.

    ``focal_mm`` is that of the group at the d line, ``gap_mm`` the air behind it; both may be in
    any one unit, since a lens scales its groups to its own focal length.
    """

    glasses: tuple[str, ...]
    joined_nm: tuple[float, ...] = (LINE_F_NM, LINE_C_NM)
    focal_mm: float = 1.0
    gap_mm: float = 0.0

    def power(self, wavelength_nm: float) -> float:
        """Power at a wavelength, 1 / mm: sum of k (n - 1) / (n_d - 1) over the glasses.

        The shares k add up to 1 and bring the joined colours together (Smith, Modern Optical
        Engineering, achromatic doublets; k = V1 / (V1 - V2) for two glasses -- from memory).
        """
        at = [[_relative_power(g, colour) for g in self.glasses] for colour in self.joined_nm]
        rows = np.array([np.ones(len(self.glasses)), *(np.diff(at, axis=0))])
        share = np.linalg.solve(rows, np.eye(len(rows))[0])
        relative = [_relative_power(g, wavelength_nm) for g in self.glasses]
        return float(share @ relative) / self.focal_mm


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
    groups : tuple of Group
        Any other lens, front to rear, in place of ``glasses``.
    colour_share : float
        Share of the colour of those glasses that is left, for lenses of more elements.
    spherical_um : float
        Longitudinal spherical aberration: focus of the edge of the pupil minus that of its centre.
        It grows with the square of the height in the pupil.
    spherochromatism_um : float
        How ``spherical_um``, that of 550 nm, changes with colour: times (550 nm / lambda)^2 - 1.
    curvature_um : float
        How much further out the corners of the sensor focus than its centre.
    tilt_x_um, tilt_y_um : float
        How much further out the edge at greatest x (y) focuses than the centre.
    pupil : Pupil
        Aberrations that are not round, vanes, a shadow off centre.
    """

    focal_length_mm: float = 480.0
    aperture_mm: float = 87.3
    obstruction: float = 0.0
    glasses: tuple[str, str] | None = None
    groups: tuple[Group, ...] = ()
    colour_share: float = 1.0
    spherical_um: float = 0.0
    spherochromatism_um: float = 0.0
    curvature_um: float = 0.0
    tilt_x_um: float = 0.0
    tilt_y_um: float = 0.0
    pupil: Pupil = field(default_factory=Pupil)

    @property
    def focal_ratio(self) -> float:
        """Focal length over aperture."""
        return self.focal_length_mm / self.aperture_mm

    def colour_shift_um(self, wavelength_nm: float) -> float:
        """Focus of one wavelength minus that of the d line, on axis, positive outward.

        A paraxial ray through thin groups and the air between them.

        Accuracy: the published glass constants give the shifts of the test to 0.2 %
        (tests/simulate/test_lens.py).
        """
        groups = self.groups or ((Group(glasses=self.glasses),) if self.glasses else ())
        if not groups:
            return 0.0
        (back, _), (back_d, focal_d) = (_trace(groups, c) for c in (wavelength_nm, LINE_D_NM))
        return self.colour_share * self.focal_length_mm * 1e3 * (back - back_d) / focal_d

    def spherical_at_um(self, wavelength_nm: float) -> float:
        """``spherical_um`` in one colour."""
        return self.spherical_um + self.spherochromatism_um * ((550 / wavelength_nm) ** 2 - 1)

    def field_shift_um(self, u: float, v: float, shape: tuple[int, int]) -> float:
        """Focus at a place of the sensor minus that at its centre; u, v run from -1 to 1.

        ``shape`` is that of the sensor, rows and columns: the bowl is round about its centre.
        """
        rows, columns = shape
        away = ((u * columns) ** 2 + (v * rows) ** 2) / (columns**2 + rows**2)
        return self.curvature_um * away + self.tilt_x_um * u + self.tilt_y_um * v


def _relative_power(glass: str, wavelength_nm: float) -> float:
    """Power of a thin lens of this glass at a wavelength over that at the d line."""
    return (refractive_index(glass, wavelength_nm) - 1) / (refractive_index(glass, LINE_D_NM) - 1)


def _trace(groups: tuple[Group, ...], wavelength_nm: float) -> tuple[float, float]:
    """Back focal distance and focal length: a ray of height 1 parallel to the axis."""
    height, slope = 1.0, 0.0
    for group in groups:
        slope -= height * group.power(wavelength_nm)
        height += slope * group.gap_mm
    return -height / slope, -1 / slope
