"""What one exposure of the night tells, as the model takes it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ..tracking.measured import FrameRadius
from .model import PRIORS

NAN = float("nan")
#: Share of the stated uncertainty of a shape that changes from frame to frame (common practice
#: where a night does not show it), and the least of it; so many threes of frames it is worth.
SHARED, _LEAST, _WORTH = 0.3, 0.0015, 2.0
#: What an exposure takes over from a frame's header and from what was measured of it.
_FACTS = ("position_steps", "temperature_degC", "altitude_deg", "exposure_s")
_SAME = (
    "slopes", "slopes_sigma", "light_adu", "elongation", "elongation_angle_deg", "background_adu",
    "reason",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposure:
    """One exposure, measured; NaN or None where not known.

    Attributes
    ----------
    hfr_px, hfr_sigma_px : float
        Half-flux radius and its star noise.
    shape, shape_sigma : float
        Radius of 80 % of the light over that of half of it.
    shape_scatter : float
        What changes of it from frame to frame, relative; NaN where that is not known. Most of what
        a frame's photometry does not know of the shape, all frames share.
    slopes, slopes_sigma : tuple of float
        Of ln radius over the frame, as `FrameRadius` has them; empty where not known.
    stars, found : int
        Stars behind the radius, and seen.
    light_adu : float
        Of the brighter stars: falls with cloud.

    Examples
    --------
    >>> one = Exposure(file="light_0001.fits", filter="L", time_mjd=60000.9, hfr_px=2.31)
    >>> one.filter, one.hfr_px, one.reason
    ('L', 2.31, None)
    """

    file: str
    filter: str
    time_mjd: float = NAN
    position_steps: float = NAN
    temperature_degC: float = NAN
    altitude_deg: float = NAN
    exposure_s: float = NAN
    hfr_px: float = NAN
    hfr_sigma_px: float = NAN
    shape: float = NAN
    shape_sigma: float = NAN
    shape_scatter: float = NAN
    slopes: tuple[float, ...] = ()
    slopes_sigma: tuple[float, ...] = ()
    stars: int = 0
    found: int = 0
    light_adu: float = NAN
    elongation: float = NAN
    elongation_angle_deg: float = NAN
    background_adu: float = NAN
    reason: str | None = None


def column(rows: Sequence[Any], name: str) -> np.ndarray:
    """What exposures, or frames judged, have under a name."""
    return np.array([getattr(row, name) for row in rows])


def exposures_of(frames: Sequence[FrameRadius]) -> tuple[Exposure, ...]:
    """The measured frames as exposures in order of time, of name where there is none.

    Of a colour camera the green channel stands for the frame.
    """
    taken = [exposure_of(frame) for frame in frames if frame.channel in ("", "G")]
    return tuple(sorted(taken, key=lambda one: (np.nan_to_num(one.time_mjd), one.file)))


def exposure_of(frame: FrameRadius) -> Exposure:
    """A measured frame as an exposure."""
    facts = frame.facts
    half, large = frame.radius_px, frame.radius80_px
    shape = sigma = NAN
    if math.isfinite(half) and math.isfinite(large) and half > 0:
        shape = large / half
        # The two radii share most of their noise; taken as independent it is on the safe side.
        sigma = math.hypot(frame.radius_sigma_px / half, frame.radius80_sigma_px / large)
        sigma = sigma * large / half
    told = {name: getattr(facts, name) for name in _FACTS} | {"time_mjd": facts.mid_time_mjd}
    same: dict[str, Any] = {name: getattr(frame, name) for name in _SAME}
    same |= {name: NAN if value is None else float(value) for name, value in told.items()}
    return Exposure(
        file=facts.path.name,
        filter=frame.channel or facts.filter or "unknown",
        hfr_px=half,
        hfr_sigma_px=frame.radius_sigma_px,
        shape=shape,
        shape_sigma=sigma,
        stars=frame.n_stars,
        found=frame.n_found,
        **same,
    )


def with_scatter(exposures: Sequence[Exposure]) -> tuple[Exposure, ...]:
    """The exposures with the scatter of their shapes, as seen from one to the next.

    Of three frames in a row through one filter the second difference of ln shape has a variance of
    6 sigma^2, whatever the course of focus; its median size over the night is 0.6745 sqrt(6) sigma
    (normal distribution). Few such threes are joined by what is expected: the share ``SHARED`` of
    what is stated, and the wobble of shapes from frame to frame.
    """
    shape, names = column(exposures, "shape"), column(exposures, "filter")
    stated = column(exposures, "shape_sigma") / shape
    if not np.isfinite(stated).any():
        return tuple(exposures)
    bends = np.diff(np.log(shape), 2)[(names[:-2] == names[1:-1]) & (names[1:-1] == names[2:])]
    bends = np.abs(bends[np.isfinite(bends)])
    usual = np.nanmedian(stated)
    expected = np.hypot(max(SHARED * usual, _LEAST), PRIORS.wobble)
    seen = np.median(bends) / (0.6745 * math.sqrt(6)) if bends.size else expected
    weight = bends.size / 3
    variance = weight * max(seen, _LEAST) ** 2 + _WORTH * expected**2
    scatter = np.sqrt(variance / (weight + _WORTH))
    # A frame with few stars scatters more, in the proportion that it states.
    own = np.minimum(np.maximum(stated / usual, 1) * scatter, np.hypot(stated, PRIORS.wobble))
    return tuple(
        replace(one, shape_scatter=each) for one, each in zip(exposures, own.tolist(), strict=True)
    )
