"""Words on sweeps whose stars are not those of the others."""

from collections.abc import Sequence

import numpy as np

from ..estimate import Notice
from .measured import MeasuredSweep
from .night import OTHER_STARS


def other_field_notices(measured: Sequence[MeasuredSweep]) -> tuple[Notice, ...]:
    """Tell of sweeps that show other stars than most.

    Sweeps with too few stars to compare, and those that could not be measured at all, say so
    elsewhere.

    Returns
    -------
    tuple of Notice
        None or one, ``other_field``.
    """
    fields: dict[object, list[str]] = {}
    for sweep in measured:
        night = sweep.tracks.night
        if night is None or not any(np.isfinite(f.radius_px) for f in sweep.frames):
            continue
        if night.frame is not None:
            fields.setdefault(night.frame, []).append(sweep.id)
        elif night.reason == OTHER_STARS:
            fields[sweep.id] = [sweep.id]
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
