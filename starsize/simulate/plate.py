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
    edges_nm : tuple of float, or None
        Where the passband begins and ends, as a maker states it; None where the colours are the
        middles of equal slices of it.
    """

    wavelengths_nm: tuple[float, ...]
    weights: tuple[float, ...]
    thickness_mm: float = 2.0
    index: float = 1.52
    throughput: float = 1.0
    written: str = ""
    exposure_s: float = 3.0
    edges_nm: tuple[float, float] | None = None

    def passband_nm(self) -> tuple[float, float]:
        """Middle and width of the passband: not those of the light, which stars and sensor tilt."""
        low, high, n = self.wavelengths_nm[0], self.wavelengths_nm[-1], len(self.wavelengths_nm)
        half = (high - low) / (n - 1) / 2 if n > 1 else 0.0
        low, high = self.edges_nm or (low - half, high + half)
        return (low + high) / 2, high - low

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
    wavelength_nm: float, width_nm: float, *, samples: int, taper: float = 0.0
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Colours and weights that stand for a band: the middles of equal slices.

    ``taper`` is the share of light lost at the edges of the band: 0 for a flat top, 1 for a band
    that falls off straight from its middle, as filter, sensor and starlight together do.
    """
    aside = (2 * np.arange(samples) + 1) / samples - 1
    weights = 1 - taper * np.abs(aside)
    colours = wavelength_nm + aside * width_nm / 2
    return tuple(colours.tolist()), tuple((weights / weights.sum()).tolist())


def starlight(wavelength_nm: float, kelvin: float) -> float:
    """Electrons per nanometre that a star's light frees in a sensor, in a unit of its own.

    Photons of a black body (Planck, lambda^-4 / (exp(14.388e6 nm K / lambda T) - 1)) times a sensor
    that is best at 530 nm (invented).
    """
    response = np.exp(-(((wavelength_nm - 530) / 170) ** 2))
    planck = (550 / wavelength_nm) ** 4 / np.expm1(14.388e6 / (wavelength_nm * kelvin))
    return float(response * planck * np.expm1(14.388e6 / (550 * kelvin)))


def usual_plate(
    name: str,
    *,
    samples: int = 5,
    taper: float = 0.0,
    kelvin: float | None = None,
    thickness_mm: float = 2.0,
    index: float = 1.52,
    throughput: float | None = None,
    exposure_s: float = 3.0,
) -> FilterPlate:
    """Plate with the usual passband of a filter (``filters.BANDS``); see `band_samples`.

    With ``kelvin``, stars of that temperature before a sensor weigh the colours (`starlight`).
    ``throughput`` defaults to the width of the band over that of L.
    """
    if name not in BANDS:
        msg = f"'name' must be one of {', '.join(BANDS)}, got {name!r}"
        raise ValueError(msg)
    band = BANDS[name]
    colours, weights = band_samples(band.wavelength_nm, band.width_nm, samples=samples, taper=taper)
    if kelvin is not None:
        lit = [w * starlight(c, kelvin) for c, w in zip(colours, weights, strict=True)]
        weights = tuple(w / sum(lit) for w in lit)
    return FilterPlate(
        wavelengths_nm=colours,
        weights=weights,
        thickness_mm=thickness_mm,
        index=index,
        throughput=band.width_nm / BANDS["L"].width_nm if throughput is None else throughput,
        written=name,
        exposure_s=exposure_s,
    )


def dye_plates(samples: int = 9) -> dict[str, FilterPlate]:
    """The colours of a one-shot-colour sensor: broad, falling off to both sides (invented)."""
    bands = {"R": (615.0, 150.0), "G": (535.0, 150.0), "B": (468.0, 120.0)}
    plates = {}
    for name, (middle, width) in bands.items():
        colours, weights = band_samples(middle, width, samples=samples, taper=0.9)
        plates[name] = FilterPlate(
            wavelengths_nm=colours,
            weights=weights,
            thickness_mm=1.0,
            throughput=0.4,
            exposure_s=4.0,
        )
    return plates
