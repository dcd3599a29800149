"""What the smooth colour curve says: its line for drawing, L's whole band, secondary spectrum."""

from collections.abc import Sequence

import numpy as np

from ...filters import Band
from ..compared import ColourWord
from ..linear import normal_errors
from .curve import SmoothCurve, curve_basis, fit_smooth_curve, secondary_shift
from .explanations import Explanation, Shifts
from .verdict import verdict_of_errors

#: Bands wider than this hold more than one colour and do not count as covering a line.
WIDE_NM = 150.0
#: Share of L's band that other filters have to see before its ends are more than a guess.
SEEN = 0.6
_F_NM, _C_NM, _NEAR_NM = 486.13, 656.27, 20.0


def curve_of_telescope(
    explanations: Sequence[Explanation], shifts: Shifts, *, glass_to_blame: bool
) -> SmoothCurve | None:
    """The telescope's own colour; None where all filters have one wavelength.

    Without the odd filters where glass is to blame. Else the simplest curve that explains all,
    and failing that the best there is.
    """
    fitting = [e for e in explanations if glass_to_blame or not e.odd]
    if fitting:
        return fitting[0].curve
    terms = min(3, len(np.unique(shifts.wavelength_nm)) - 1)
    if terms < 1:
        return None
    noise = shifts.covariance + np.diag((shifts.zone / 3) ** 2)
    return fit_smooth_curve(shifts.wavelength_nm, shifts.shift, noise, terms=terms)


def drawn(
    curve: SmoothCurve | None, wavelength_nm: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wavelengths, shift and sigma along the curve, a little beyond the filters at both ends."""
    if curve is None:
        return np.array([]), np.array([]), np.array([])
    along = np.linspace(np.min(wavelength_nm) - 15, np.max(wavelength_nm) + 15, 121)
    return along, curve.at(along), curve.sigma(along)


def whole_band(
    curve: SmoothCurve | None, bands: Sequence[Band], *, wide: Band, zone_steps: float
) -> ColourWord:
    """Does one position lie inside the zone of every wavelength that a wide filter lets through.

    Of ``bands``, those of all filters, the narrower ones say how much of the ``wide`` band was
    seen; ``zone_steps`` is the zone at its central wavelength.
    """
    narrow = [b for b in bands if b.width_nm <= WIDE_NM]
    if curve is None or not narrow:
        return "cannot tell"
    low = max(_edge(wide, -1), min(_edge(b, -1) for b in narrow))
    high = min(_edge(wide, 1), max(_edge(b, 1) for b in narrow))
    if high - low < SEEN * wide.width_nm:
        return "cannot tell"
    wavelength = np.linspace(low, high, 13)
    errors = normal_errors(curve.covariance, 4000, seed=2)
    return verdict_of_errors(
        curve.at(wavelength),
        zone_steps * wavelength / wide.wavelength_nm,
        errors @ curve_basis(wavelength, curve.terms).T,
    )


def secondary_of(curve: SmoothCurve | None, bands: Sequence[Band]) -> float | None:
    """Shift between the F-C focus and the d line in the curve's unit; None where not covered.

    It takes three terms, narrow bands at F, at C and between, and a shift of two sigma.
    """
    if curve is None or curve.terms < 3:
        return None
    narrow = [b for b in bands if b.width_nm <= WIDE_NM]

    def covered(line_nm: float) -> bool:
        return any(abs(b.wavelength_nm - line_nm) <= max(b.width_nm / 2, _NEAR_NM) for b in narrow)

    middle = any(520 <= b.wavelength_nm <= 600 for b in narrow)
    if not (covered(_F_NM) and covered(_C_NM) and middle):
        return None
    shift, sigma = secondary_shift(curve)
    return shift if abs(shift) > 2 * sigma else None


def _edge(band: Band, side: int) -> float:
    return band.wavelength_nm + side * band.width_nm / 2
