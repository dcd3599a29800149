"""What the person knows about the equipment: plain data, every item optional.

Reading the TOML file is the work of ``frames.setup_file``; this module only holds the facts.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final, Literal

from .filters import Band, usual_band

#: No telescope for imaging has a smaller or larger focal ratio; a slip of the pen has.
FASTEST, SLOWEST = 0.8, 100.0

TubeMaterial = Literal["aluminium", "carbon", "steel", "invar"]
#: Expansion per degC and its standard uncertainty. Aluminium 6061 (handbook value, from memory;
#: materials data bases have 23.1e-6 for generic aluminium); steel 12e-6 and 11e-6 (C22), Invar
#: 1.25e-6 (the same data bases); carbon -0.5e-6 to 1e-6 by lay-up (handbook value, from memory).
EXPANSION_PER_DEGC: Final[Mapping[TubeMaterial, tuple[float, float]]] = {
    "aluminium": (23.6e-6, 0.5e-6),
    "steel": (11.7e-6, 0.5e-6),
    "invar": (1.25e-6, 0.3e-6),
    "carbon": (0.25e-6, 0.43e-6),
}


def _figure(low: float, high: float, words: str = "") -> Any:
    """A figure of the equipment, from a pocket lens to the largest telescopes, or not known.

    ``words`` are what people call one that headers tell too.
    """
    return field(default=None, metadata={"plausible": (low, high), "words": words})


@dataclass(frozen=True, slots=True, kw_only=True)
class Telescope:
    """Focal length, clear aperture and diameter of the obstruction in millimetres; the tube."""

    focal_length_mm: float | None = _figure(0.1, 1e6, "focal length (mm)")
    aperture_mm: float | None = _figure(0.1, 1e5, "aperture (mm)")
    obstruction_mm: float | None = _figure(0.0, 1e5)
    tube_material: TubeMaterial | None = None
    focus_scale: float | None = _figure(1e-3, 1e3)
    """Focuser travel that makes up for 1 mm of focus shift at the filter; differs from 1 where
    optics between filter and camera rescale it (a reducer behind the filters, say)."""

    @property
    def focal_ratio(self) -> float | None:
        """Focal length over aperture, or None where either is unknown."""
        if self.focal_length_mm is None or self.aperture_mm is None:
            return None
        return self.focal_length_mm / self.aperture_mm

    @property
    def obstruction(self) -> float:
        """Diameter of the obstruction over that of the aperture; 0 where not stated."""
        if self.obstruction_mm is None or self.aperture_mm is None:
            return 0.0
        return self.obstruction_mm / self.aperture_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Focuser:
    """Step size, sense of the count, and what is known from earlier nights."""

    um_per_step: float | None = _figure(1e-4, 1e4, "step size (um)")
    outward: Literal["increasing", "decreasing"] = "increasing"
    steps_per_degC: float | None = _figure(-1e6, 1e6)
    steps_per_degC_sigma: float | None = _figure(0.0, 1e6)
    backlash_steps: float | None = _figure(0.0, 1e6)
    repeatability_steps: float | None = _figure(0.0, 1e6)
    """Standard deviation of best focus from sweep to sweep beyond the curves' own uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Pixel pitch, noise, ceiling, and the colour pattern if the header is silent or wrong."""

    pixel_um: float | None = _figure(0.1, 1e3, "pixel size (um)")
    gain_e_per_adu: float | None = _figure(1e-5, 1e5, "gain (electrons per count)")
    read_noise_e: float | None = _figure(0.0, 1e5, "read noise (electrons)")
    saturation_adu: float | None = _figure(1.0, 1e10, "saturation level (counts)")
    bayer: Literal["header", "none", "RGGB", "BGGR", "GRBG", "GBRG"] = "header"
    """``header`` (believe BAYERPAT), ``none`` (treat as mono) or RGGB, BGGR, GRBG, GBRG."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterGlass:
    """One filter: passband, glass, and the spellings that stand for it."""

    wavelength_nm: float | None = _figure(200.0, 2500.0)
    bandwidth_nm: float | None = _figure(0.01, 2500.0)
    thickness_mm: float | None = _figure(1e-3, 100.0)
    refractive_index: float | None = _figure(1.01, 5.0)
    aliases: tuple[str, ...] = ()


PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    one.name: one.metadata["plausible"]
    for table in (Telescope, Focuser, Camera, FilterGlass)
    for one in fields(table)
    if one.metadata
}
"""Smallest and largest value of every figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderNames:
    """Header keywords of a camera program with spellings of its own."""

    position: str | None = None
    temperature: str | None = None
    filter: str | None = None
    exposure: str | None = None
    time: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Setup:
    """All that is known about the equipment. ``Setup()`` knows nothing, and that is allowed.

    Examples
    --------
    >>> setup = Setup(telescope=Telescope(focal_length_mm=550.0, aperture_mm=100.0))
    >>> setup.telescope.focal_ratio, setup.band("V").wavelength_nm
    (5.5, 550.0)
    """

    telescope: Telescope = field(default_factory=Telescope)
    focuser: Focuser = field(default_factory=Focuser)
    camera: Camera = field(default_factory=Camera)
    filters: Mapping[str, FilterGlass] = field(default_factory=dict)
    headers: HeaderNames = field(default_factory=HeaderNames)

    def __repr__(self) -> str:
        ratio, length = self.telescope.focal_ratio, self.telescope.focal_length_mm
        known = [f"{length:g} mm"] if length else []
        known += [f"f/{ratio:.3g}"] if ratio else []
        known += [f"{len(self.filters)} filters"] if self.filters else []
        return f"<Setup: {', '.join(known) or 'nothing known'}>"

    def band(self, name: str) -> Band | None:
        """Passband of a filter: the setup's own figures, else the usual ones, else None."""
        glass = self.filters.get(name, FilterGlass())
        usual = usual_band(name)
        wavelength = glass.wavelength_nm or (usual.wavelength_nm if usual else None)
        if wavelength is None:
            return None
        width = glass.bandwidth_nm or (usual.width_nm if usual else 0.0)
        return Band(wavelength, width)

    def bands(self, names: Iterable[str]) -> dict[str, Band]:
        """Passbands of those filters that have one."""
        return {name: band for name in names if (band := self.band(name)) is not None}

    @property
    def aliases(self) -> dict[str, str]:
        """Spelling as written -> filter name, for all filters of the setup."""
        named = {name: name for name in self.filters}
        return named | {a: name for name, glass in self.filters.items() for a in glass.aliases}


def given_setup(setup: Setup | None) -> Setup:
    """The setup that a public call was given; one that knows nothing where there is none."""
    if setup is not None and not isinstance(setup, Setup):
        raise TypeError(f"'setup' must be a Setup, as load_setup(path) reads it, got {setup!r}")
    return setup or Setup()
