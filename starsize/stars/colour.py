"""Colour cameras: which channels a frame holds, and the pixels of one of them."""

import numpy as np

from ..frames.frame import FrameFacts
from ..setup import Camera

_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def channels_of(facts: FrameFacts, camera: Camera) -> tuple[str, ...]:
    """``("R", "G", "B")`` for a colour camera, ``("",)`` for a mono one."""
    return ("R", "G", "B") if pattern_of(facts, camera) else ("",)


def pattern_of(facts: FrameFacts, camera: Camera) -> str | None:
    """Colour pattern in force: the setup's if it states one, else the header's."""
    if camera.bayer == "none":
        return None
    pattern = facts.bayer if camera.bayer == "header" else camera.bayer
    return pattern.upper() if pattern and pattern.upper() in _PATTERNS else None


def plane(image: np.ndarray, channel: str, facts: FrameFacts, camera: Camera) -> np.ndarray:
    """Pixels of one channel, at half the pitch; the image itself where ``channel`` is empty."""
    pattern = pattern_of(facts, camera)
    if not channel or pattern is None:
        return image
    places = [divmod(i, 2) for i, letter in enumerate(pattern) if letter == channel]
    planes = [np.ascontiguousarray(image[r::2, c::2]) for r, c in places]
    if len(planes) == 1:
        return planes[0]
    ny, nx = (min(p.shape[i] for p in planes) for i in (0, 1))
    return sum(p[:ny, :nx].astype(np.float32) for p in planes) / len(planes)
