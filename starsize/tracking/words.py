"""What is said of frames: why one has no radius, and what a night's have to do with each other."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from ..estimate import Notice
from ..photometry import ImageRadius
from .measured import MeasuredSweep

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
#: How stars were set aside, by the names of ``StarFlag``.
_FLAGS: Final = {
    "edge": "at the edge", "saturated": "saturated", "blended": "blended", "faint": "too faint",
    "shape": "not like a star", "masked": "bad pixels", "unmeasured": "not measurable",
}  # fmt: skip
OTHER_STARS: Final = (
    "what it shows is in no other frame of its sweep, and of the stars there it shows none; look "
    "at it for cloud, dew or a telescope that moved, and repeat it"
)
LOST_WORKER: Final = (
    "the process that measured it died, twice; is there memory enough? try --jobs 1"
)


def reason_of(radius: ImageRadius) -> str | None:
    """Say what was seen in an image without a radius, and what can be done; None if it has one."""
    if radius.reason is None:
        return None
    aside = (f"{count} {_FLAGS[name]}" for name, count in radius.set_aside.items())
    return _WORDS[radius.reason].format(
        found=radius.n_found,
        aside=", ".join(aside) or "none stands out",
        sky=f"{radius.background_adu:.5g} ADU, noise {radius.background_rms_adu:.3g}",
    )


def left_out_notices(measured: Sequence[MeasuredSweep]) -> tuple[Notice, ...]:
    """Tell of sweeps of which more than a third of the frames have no radius, and why."""
    notices = []
    for sweep in measured:
        lost = [f for f in sweep.frames if f.reason is not None]
        if 3 * len(lost) > len(sweep.frames):
            text = (
                f"sweep {sweep.id}: {len(lost)} of its {len(sweep.frames)} frames are left out; "
                f"of {lost[0].facts.path.name} is said: {lost[0].reason} (frames.csv says it of "
                "each)"
            )
            notices.append(Notice("frames_left_out", text))
    return tuple(notices)


def other_field_notices(measured: Sequence[MeasuredSweep]) -> tuple[Notice, ...]:
    """Tell of sweeps that show other stars than most; () or one notice, ``other_field``.

    Sweeps with too few stars to compare, and those that could not be measured at all, say so
    elsewhere.
    """
    fields: dict[int, list[str]] = {}
    for sweep in measured:
        pointing = sweep.tracks.pointing
        if pointing is not None and any(np.isfinite(f.radius_px) for f in sweep.frames):
            fields.setdefault(pointing, []).append(sweep.id)
    largest = max(fields, key=lambda key: len(fields[key]), default=None)
    strange = [name for key, names in fields.items() if key != largest for name in names]
    if not strange:
        return ()
    one = len(strange) == 1
    text = (
        f"{'sweep' if one else 'sweeps'} {', '.join(strange)} "
        f"{'shows' if one else 'show'} other stars than the rest (another field of the sky, or "
        "cloud): they are compared all the same, but a tilted or curved field, or a telescope "
        "that sags, may shift focus between fields"
    )
    return (Notice("other_field", text),)
