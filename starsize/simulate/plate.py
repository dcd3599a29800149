"""The filters of a simulation: which colours pass and how much glass stands in the beam."""

from dataclasses import dataclass

import numpy as np

from ..filters import BANDS
from ..optics import plate_shift_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterPlate:
    """One filter: a plane-parallel plate with a passband.

    Attributes
    ----------
    wavelengths_nm, weights : tuple of float
        Sample colours of the band and the share of the light in each.
    thickness_mm, index : float
        Glass; the index is the same for all colours of the band.
    throughput : float
        Light passed, as a share of what the widest filter passes.
    written : str
        The name as the header spells it; empty to leave the header without one.
    exposure_s : float
        Usual exposure through this filter.
    """

    wavelengths_nm: tuple[float, ...]
    weights: tuple[float, ...]
    thickness_mm: float = 2.0
    index: float = 1.52
    throughput: float = 1.0
    written: str = ""
    exposure_s: float = 3.0

    def shift_um(self) -> float:
        """How much further out the centre of the pupil focuses because of the plate."""
        return 1e3 * plate_shift_mm(self.thickness_mm, self.index)

    def spherical_um(self, focal_ratio: float) -> float:
        """Focus of the edge of the pupil minus that of its centre, owed to the plate.

        Exact at the edge of the pupil; between, it grows with the square of the height but for
        a share of about 1 / (4 N^2).
        """
        marginal = 1e3 * plate_shift_mm(self.thickness_mm, self.index, focal_ratio)
        return marginal - self.shift_um()


def band_samples(
    wavelength_nm: float, width_nm: float, *, samples: int
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Colours and weights that stand for a flat-topped band (equal slices, their middles)."""
    edges = np.linspace(-width_nm / 2, width_nm / 2, samples + 1) + wavelength_nm
    middles = (edges[1:] + edges[:-1]) / 2
    return tuple(middles.tolist()), (1 / samples,) * samples


def usual_plate(
    name: str,
    *,
    samples: int = 5,
    thickness_mm: float = 2.0,
    index: float = 1.52,
    throughput: float | None = None,
    written: str | None = None,
    exposure_s: float = 3.0,
) -> FilterPlate:
    """Plate with the usual passband of a filter (``filters.BANDS``) and flat weights.

    ``throughput`` defaults to the width of the band over that of L.
    """
    if name not in BANDS:
        msg = f"'name' must be one of {', '.join(BANDS)}, got {name!r}"
        raise ValueError(msg)
    band = BANDS[name]
    wavelengths, weights = band_samples(band.wavelength_nm, band.width_nm, samples=samples)
    return FilterPlate(
        wavelengths_nm=wavelengths,
        weights=weights,
        thickness_mm=thickness_mm,
        index=index,
        throughput=band.width_nm / BANDS["L"].width_nm if throughput is None else throughput,
        written=name if written is None else written,
        exposure_s=exposure_s,
    )
