"""Header cards of simulated frames, in the several spellings that cameras use."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from .scene import Scene

Cards = dict[str, tuple[str | int | float | bool, str]]
"""Value and comment by keyword."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderStyle:
    """How one capture session spells its headers.

    ``position_as`` is the type of the focuser position: ``int``, ``float`` or ``text``.
    ``filter_names`` maps canonical names to other spellings than the filter's own.
    """

    position: str = "FOCUSPOS"
    temperature: str = "FOCTEMP"
    exposure: str = "EXPTIME"
    position_as: Literal["int", "float", "text"] = "int"
    filter_names: tuple[tuple[str, str], ...] = ()
    prefix: str = "sweep_"


def frame_cards(
    scene: Scene,
    style: HeaderStyle,
    *,
    filter_name: str,
    position: int,
    temperature_degC: float,
    exposure_s: float,
    begins: datetime,
) -> Cards:
    """Header cards of one exposure, marked as simulated."""
    lens, sensor = scene.lens, scene.sensor
    cards: Cards = {
        "ORIGIN": ("SIMULATED DATA, INVENTED", "no real telescope, site or sky"),
        "IMAGETYP": ("Light Frame", ""),
        "DATE-OBS": (begins.isoformat(timespec="milliseconds"), "UTC, start of exposure"),
        style.exposure: (exposure_s, "[s] exposure"),
        style.position: (_as_written(position, style.position_as), "[step] focuser position"),
        style.temperature: (round(temperature_degC, 1), "[degC] focuser temperature"),
        "TELESCOP": (scene.telescope, "invented"),
        "OBSERVAT": (scene.site, "invented"),
        "INSTRUME": ("Invented camera", "invented"),
        "FOCALLEN": (lens.focal_length_mm, "[mm] focal length"),
        "APTDIA": (lens.aperture_mm, "[mm] aperture"),
        "XPIXSZ": (sensor.pixel_um, "[um] pixel width"),
        "YPIXSZ": (sensor.pixel_um, "[um] pixel height"),
        "EGAIN": (sensor.gain_e_per_adu, "[e-/ADU]"),
    }
    written = dict(style.filter_names).get(filter_name, scene.filters[filter_name].written)
    if sensor.bayer is not None:
        cards["BAYERPAT"] = (sensor.bayer, "pattern from the first pixel of the file")
        cards["ROWORDER"] = ("TOP-DOWN", "")
    elif written:
        cards["FILTER"] = (written, "")
    return cards


def _as_written(position: int, kind: str) -> str | int | float:
    """The position as a number or as text."""
    if kind == "text":
        return str(position)
    return float(position) if kind == "float" else position
