"""Everything a simulation needs to know, as plain data with defaults."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from .focuser import FocuserPhysics
from .lens import Lens
from .plate import FilterPlate, usual_plate

_ARCSEC_PER_RADIAN = 206264.806


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """The camera.

    ``shape`` is (rows, columns). ``full_well_adu`` is where the sensor stops to rise, above the
    bias; the file itself ends at 65535. ``bayer`` is the colour pattern counted from
    ``image[0, 0]``, such as ``RGGB``, or None. ``hot_pixels`` stay at one place for one ``serial``.
    """

    shape: tuple[int, int] = (480, 640)
    pixel_um: float = 3.76
    gain_e_per_adu: float = 0.8
    read_noise_e: float = 2.0
    bias_adu: float = 500.0
    full_well_adu: float = 60000.0
    bayer: str | None = None
    hot_pixels: int = 0
    serial: int = 1
    step_adu: int = 1
    """Counts come in multiples of this, as from a converter of fewer bits."""
    response: float = 0.0
    """Relative scatter of the pixels' response, which a flat puts back on top of the ceiling."""
    dust: int = 0
    """Number of dust shadows, at one place for one ``serial``."""
    amplifier_e_per_s: float = 0.0
    """Glow in the first corner, electrons per second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sky:
    """Air and sky.

    ``seeing_arcsec`` is the full width at half maximum of Moffat seeing with exponent ``beta``;
    ``jitter`` its relative scatter from frame to frame (log-normal). ``glow_e_per_s`` is the sky in
    electrons per pixel and second through the widest filter; it changes by ``gradient`` of itself
    across the frame. ``vignetting`` is the light lost in the corners.
    """

    seeing_arcsec: float = 3.0
    beta: float = 3.5
    kolmogorov: bool = False
    """Kolmogorov seeing in place of Moffat: ``seeing_arcsec`` at 550 nm, as lambda^-0.2."""
    jitter: float = 0.05
    glow_e_per_s: float = 1.0
    gradient: float = 0.1
    vignetting: float = 0.1
    cosmic_rays: float = 0.0
    """Mean number of tracks per frame."""
    satellite_chance: float = 0.0
    """Chance that a frame shows a trail."""
    nebula_e_per_s: float = 0.0
    """Mean light of clouds on all scales, through the widest filter."""
    galaxy_e_per_s: float = 0.0
    """All the light of a galaxy in the middle of the field; ``galaxy_px`` holds half of it."""
    galaxy_px: float = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StarField:
    """The stars: their number within the frame and the power law of their light.

    ``count`` stars on average lie within one frame. Their light runs from ``faintest_e_per_s``
    upward with N(> F) ~ F^-slope (0.75 is a count that doubles per magnitude, common practice),
    cut at ``brightest_e_per_s``; all through the widest filter. ``clearance_px`` keeps stars apart.
    ``only_e_per_s`` puts stars of just that light at random well inside the frame, and no others.
    Through the filters ``right_only`` nothing is seen of stars left of the middle, as where a dark
    cloud lies.
    """

    count: int = 80
    faintest_e_per_s: float = 200.0
    brightest_e_per_s: float = 8e4
    slope: float = 0.75
    clearance_px: float = 0.0
    only_e_per_s: tuple[float, ...] = ()
    right_only: tuple[str, ...] = ()
    double_share: float = 0.0
    """Share of the stars that have a companion 1.5 to 12 px away, up to 3 magnitudes fainter."""
    seed: int = 1


def _mono_filters() -> dict[str, FilterPlate]:
    return {name: usual_plate(name) for name in ("L", "R", "G", "B")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """A telescope with its filters, focuser and camera under a sky.

    Attributes
    ----------
    filters : mapping of str to FilterPlate
        By canonical name. A colour camera has exactly R, G and B, its own dyes.
    light : ``rays`` or ``waves``
        How the pupil spreads light: straight rays, or scalar diffraction (exact but slower).
    site, telescope : str
        Names for the headers; say that they are invented.
    """

    lens: Lens = field(default_factory=Lens)
    filters: Mapping[str, FilterPlate] = field(default_factory=_mono_filters)
    focuser: FocuserPhysics = field(default_factory=FocuserPhysics)
    sensor: Sensor = field(default_factory=Sensor)
    sky: Sky = field(default_factory=Sky)
    stars: StarField = field(default_factory=StarField)
    light: Literal["rays", "waves"] = "waves"
    site: str = "Invented Hill Observatory"
    telescope: str = "Invented refractor"

    @property
    def seeing_um(self) -> float:
        """Full width at half maximum of the seeing on the sensor."""
        return self.sky.seeing_arcsec / _ARCSEC_PER_RADIAN * self.lens.focal_length_mm * 1e3

    def focus_shift_um(self, filter_name: str, wavelength_nm: float) -> float:
        """Focus of the pupil's centre in one colour, counted outward from the bare d line."""
        plate = self.filters[filter_name]
        return self.lens.colour_shift_um(wavelength_nm) + plate.shift_um()
