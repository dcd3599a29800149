"""Words on what the frames of a night have to do with each other."""

from collections.abc import Sequence

import numpy as np

from ..estimate import Notice
from .measured import MeasuredSweep


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
