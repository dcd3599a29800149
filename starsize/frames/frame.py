"""What a frame is: its facts without the pixels, and the pixels."""

from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np

from ..conventions import Approach

FrameKind = Literal["light", "dark", "bias", "flat"]
#: Why a file is not used that holds the same as another one; and a frame in no sweep.
COPY: Final = "counted once"
SINGLE: Final = "a single exposure at a position of its own, not part of a sweep"


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class FrameFacts:
    """What is known of one exposure without its pixels. None means not known, never a sentinel."""

    path: Path
    kind: FrameKind = "light"
    hdu: int = 0
    """Which header-data unit holds the image."""
    camera: str | None = None
    """INSTRUME: keeps the frames of two cameras in one folder apart."""
    shape: tuple[int, int] = (0, 0)
    """(rows, columns)."""
    filter: str | None = None
    """Canonical name."""
    filter_written: str | None = None
    """As the header spells it."""
    position_steps: float | None = None
    position_from: str | None = None
    """Keyword that the position stood under, or ``facts table``."""
    temperature_degC: float | None = None
    temperature_of: Literal["focuser", "ambient"] | None = None
    exposure_s: float | None = None
    mid_time_mjd: float | None = None
    pixel_um: float | None = None
    """Pitch of the pixels of this image, binning included."""
    binning: int = 1
    """Sensor pixels per image pixel along one axis, as the header says; 1 where it is silent."""
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    um_per_step: float | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None
    bayer: str | None = None
    """Colour pattern counted from ``image[0, 0]`` along ``image[y, x]`` (ROWORDER and offsets
    already applied), such as ``RGGB``; None for a mono camera."""
    altitude_deg: float | None = None
    """Of the place the telescope points at above the horizon."""

    def __repr__(self) -> str:
        where = "" if self.position_steps is None else f" at {self.position_steps:g} steps"
        return f"<FrameFacts {self.path.name}: {self.filter or 'no filter'}{where}>"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Frame:
    """One exposure with its pixels."""

    image: np.ndarray
    """(ny, nx) float32 array: pixel values in ADU, ``image[y, x]``."""
    facts: FrameFacts
    mask: np.ndarray | None = None
    """(ny, nx) bool array: True where a pixel must not be used (not a number, BLANK)."""

    def __repr__(self) -> str:
        rows, columns = self.image.shape
        return f"<Frame {self.facts.path.name}, {columns} x {rows} pixels>"


@dataclass(frozen=True, slots=True, repr=False)
class InputFile:
    """One file that was offered: its facts if it could be read, and why it is not used if so."""

    path: Path
    facts: FrameFacts | None = None
    reason: str | None = None
    """One clear sentence; None if the file can serve as a frame of a sweep."""

    @property
    def usable(self) -> bool:
        """True if the file can serve as a frame of a sweep."""
        return self.reason is None and self.facts is not None

    @property
    def is_copy(self) -> bool:
        """True if the same file, or exposure, is among the others."""
        return (self.reason or "").endswith(COPY)

    @property
    def is_exposure(self) -> bool:
        """True of an exposure of the sky, be its position or filter known or not."""
        return self.facts is not None and self.facts.kind == "light" and not self.is_copy

    def __repr__(self) -> str:
        return f"<InputFile {self.path.name}: {self.reason or 'usable'}>"


@dataclass(frozen=True, slots=True, repr=False)
class Sweep:
    """The frames of one filter taken at a run of positions with one approach direction.

    ``frames`` are in order of time (of file name where ``timed`` is False). ``id`` is the filter's
    name and a number counted from 1 in order of time, such as ``L-2``. For a colour camera the
    filter is that of the header, or ``colour`` where it names none.
    """

    id: str
    filter: str
    frames: tuple[FrameFacts, ...]
    approach: Approach = "unknown"
    timed: bool = True

    def __repr__(self) -> str:
        return f"<Sweep {self.id}: {len(self.frames)} frames, {self.approach}>"
