"""What is said of one frame once its stars are measured."""

import numpy as np

from .flags import count_flags
from .frame_tasks import Source, Survey
from .measured import FrameRadius
from .radius import Radii

_NO_MATCH = "its stars do not match those of the other frames of the sweep"
_NOTHING_SEEN = "no stars were found in this frame"
_NOTHING_USED = "none of its stars could be measured"


def frame_radius(
    source: Source,
    seen: Survey,
    radii: Radii,
    *,
    flags: np.ndarray,
    value: tuple[float, float, int],
    matched: bool = True,
) -> FrameRadius:
    """Sum up a frame; ``value`` is its radius, the noise of that between stars, and their number.

    What all its stars share is added to the noise, and ``flags`` says which of them count.
    """
    radius, sigma, n_stars = value
    reason = seen.reason
    if reason is None and len(seen.found.x) == 0:
        reason = _NOTHING_SEEN
    elif reason is None and not matched:
        reason = _NO_MATCH
    elif reason is None and not np.isfinite(radius):
        reason = _NOTHING_USED
    elongation = radii.elongation[(flags == 0) & np.isfinite(radii.elongation)]
    return FrameRadius(
        facts=source.facts,
        channel=source.channel,
        radius_px=float(radius) if reason is None else float("nan"),
        radius_sigma_px=float(np.hypot(sigma, _common(radii))) if reason is None else float("nan"),
        n_stars=n_stars,
        # A star followed from other frames counts as seen, whether or not it stood out here.
        n_found=max(len(seen.found.x), n_stars),
        background_adu=seen.sky.level,
        background_rms_adu=seen.sky.noise,
        elongation=float(np.median(elongation)) if elongation.size else float("nan"),
        set_aside=count_flags(flags),
        reason=reason,
    )


def own_noise(radii: Radii) -> np.ndarray:
    """What does not average away over the stars is not part of a star's own noise."""
    return np.sqrt(np.maximum(radii.own_sigma**2 - radii.common_sigma**2, 0.0))


def _common(radii: Radii) -> float:
    """The frame's share of it, as the clean stars have it."""
    known = radii.common_sigma[np.isfinite(radii.common_sigma) & (radii.flags == 0)]
    return float(np.median(known)) if known.size else 0.0
