"""Why a frame has no radius, in words: what was seen, what was expected, what can be done."""

from typing import Final

from ..photometry import FLAG_WORDS, ImageRadius, StarFlag

_WORDS: Final = {
    "no_pixels": "it has no usable pixels; copy or expose it again",
    "too_small": "it is only a few pixels wide; give whole frames, or a larger subframe",
    "too_many_holes": (
        "unusable pixels lie scattered all over it; look at the frame and at the masters it was "
        "calibrated with"
    ),
    "no_stars": (
        "no stars were found in it, only sky ({sky}); "
        "look at it for cloud or a closed cover, else expose longer"
    ),
    "all_saturated": (
        "all its stars ({found} found) are burnt out; expose shorter, or state the ceiling in the "
        "setup ([camera] saturation_adu) if it is higher"
    ),
    "all_faint": (
        "its stars ({found} found) are too faint for their radius to be known ({sky}); "
        "expose longer, or bin the camera"
    ),
    "none_usable": (
        "none of the {found} stars found in it can be measured ({aside}); "
        "choose a field with brighter or more stars"
    ),
}
LOST_WORKER: Final = (
    "the process that measured it died, twice; is there memory enough? try --jobs 1"
)


def reason_of(radius: ImageRadius) -> str | None:
    """Say why an image has no radius; None if it has one."""
    if radius.reason is None:
        return None
    aside = (
        f"{count} {FLAG_WORDS[StarFlag[name.upper()]]}" for name, count in radius.set_aside.items()
    )
    return _WORDS[radius.reason].format(
        found=radius.n_found,
        aside=", ".join(aside) or "none stands out",
        sky=f"{radius.background_adu:.5g} ADU, noise {radius.background_rms_adu:.3g}",
    )
