"""Words on what the frames of a night have to do with each other."""

from collections.abc import Sequence

import numpy as np

from ..estimate import Notice
from .measured import MeasuredSweep


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
