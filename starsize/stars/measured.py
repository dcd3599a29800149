"""What the star layer hands on: the radius of each frame, and of each star in each frame."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..frames.frame import FrameFacts, Sweep


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRadius:
    """One frame (or one colour channel of it), measured.

    ``radius_px`` is the frame's half-flux radius and ``radius_sigma_px`` its star noise alone
    (photons, read-out, background, scatter between the stars); seeing, which all stars of a
    frame share, is the business of the curve layer. Both are NaN where ``reason`` says why.
    Radii of a colour channel are counted in pixels of the full-resolution frame.
    """

    facts: FrameFacts
    radius_px: float
    radius_sigma_px: float
    n_stars: int
    """Stars behind ``radius_px``."""
    n_found: int = 0
    """Stars seen in the frame, or followed into it from other frames."""
    background_adu: float = float("nan")
    background_rms_adu: float = float("nan")
    elongation: float = float("nan")
    """Median ratio of the longer to the shorter axis of the stars."""
    set_aside: Mapping[str, int] = field(default_factory=dict)
    """Why other stars were not used: flag name -> how many."""
    reason: str | None = None
    channel: str = ""
    """R, G or B of a colour camera; empty for a mono one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NightStars:
    """Which stars of the night those of a sweep are.

    Attributes
    ----------
    frame : FrameFacts or None
        The reference frame of the night; None where the sweep stands alone.
    identity : (n_stars,) int array
        The same number is the same star in every sweep of the night; -1 where that is not known.
    x_px, y_px : (n_stars,) arrays
        Place in the reference frame of the night, pixels (it may lie outside of that frame); NaN
        where that is not known.
    stuck : (n_stars,) bool array
        True for what stays on its pixel from filter to filter while the sky moves: no star.
    reason : str or None
        Why the sweep stands alone.
    """

    frame: FrameFacts | None
    identity: np.ndarray
    x_px: np.ndarray
    y_px: np.ndarray
    stuck: np.ndarray
    reason: str | None = None

    def part(self, stars: np.ndarray) -> "NightStars":
        """Return some of the stars, by index."""
        some = {name: getattr(self, name)[stars] for name in ("identity", "x_px", "y_px", "stuck")}
        return replace(self, **some)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarTracks:
    """The same stars through the frames of a sweep.

    Attributes
    ----------
    x_px, y_px : (n_stars,) arrays
        Place in the sweep's reference frame, pixels.
    radius_px, radius_sigma_px : (n_stars, n_frames) arrays
        Half-flux radius and its standard uncertainty, pixels; NaN where not measured.
    flags : (n_stars, n_frames) int array
        ``StarFlag`` bits.
    night : NightStars or None
        Which stars of the night they are, where the sweeps of a night were measured together.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    flags: np.ndarray
    night: NightStars | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredSweep:
    """A sweep (for a colour camera: one channel of it) with the radius of each of its frames.

    ``filter`` is the sweep's filter or the channel (R, G, B); ``id`` is the sweep's id, with the
    channel appended for a colour camera (``colour-1-R``). ``frames`` follows ``sweep.frames``
    one to one.
    """

    id: str
    filter: str
    sweep: Sweep
    frames: tuple[FrameRadius, ...]
    tracks: StarTracks
