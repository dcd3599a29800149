"""Colour cameras: which channels a frame holds, and the pixels of one of them."""

from typing import Final

from ..frames.frame import FrameFacts
from ..photometry import Grid
from ..setup import Camera

_PATTERNS: Final = ("RGGB", "BGGR", "GRBG", "GBRG")


def channels_of(facts: FrameFacts, camera: Camera) -> tuple[str, ...]:
    """``("R", "G", "B")`` for a colour camera, ``("",)`` for a mono one."""
    return ("R", "G", "B") if _pattern_of(facts, camera) else ("",)


def grid_of(channel: str, facts: FrameFacts, camera: Camera) -> Grid:
    """Where the pixels of a channel lie."""
    letters = enumerate(_pattern_of(facts, camera))
    corners = tuple(divmod(i, 2) for i, letter in letters if letter == channel)
    return Grid(corners, pitch=2) if corners else Grid()


def _pattern_of(facts: FrameFacts, camera: Camera) -> str:
    """Colour pattern in force: the setup's if it states one, else the header's; or none."""
    stated = facts.bayer if camera.bayer == "header" else camera.bayer
    pattern = (stated or "").upper()
    return pattern if pattern in _PATTERNS else ""
