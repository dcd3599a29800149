"""What is said of sweeps that show other stars than the rest."""

from pathlib import Path

import numpy as np

from starsize.frames.frame import FrameFacts, Sweep
from starsize.stars import (
    FrameRadius,
    MeasuredSweep,
    NightStars,
    StarTracks,
    other_field_notices,
)
from starsize.stars.night import OTHER_STARS

REFERENCE = FrameFacts(path=Path("l.fits"))
SECOND = FrameFacts(path=Path("m.fits"))


def measured(name, *, frame=REFERENCE, reason=None, radius=2.0):
    facts = FrameFacts(path=Path(f"{name}.fits"))
    none = np.zeros(0)
    night = NightStars(
        frame=frame, identity=np.zeros(0, int), x_px=none, y_px=none,
        stuck=np.zeros(0, bool), reason=reason,
    )  # fmt: skip
    return MeasuredSweep(
        id=name,
        filter=name,
        sweep=Sweep(name, name, (facts,)),
        frames=(FrameRadius(facts=facts, radius_px=radius, radius_sigma_px=0.1, n_stars=9),),
        tracks=StarTracks(
            x_px=none, y_px=none, radius_px=none, radius_sigma_px=none,
            flags=none.astype(int), night=night,
        ),
    )  # fmt: skip


def test_one_field_needs_no_words():
    assert other_field_notices([measured("L"), measured("R")]) == ()
    assert other_field_notices([]) == ()


def test_a_sweep_of_another_field_is_named():
    strange = measured("Ha-1", frame=None, reason=OTHER_STARS)
    (notice,) = other_field_notices([measured("L"), measured("R"), strange])
    assert notice.code == "other_field"
    assert notice.text.startswith("sweep Ha-1 shows other stars")


def test_two_fields_are_told_from_the_larger():
    second = [measured(name, frame=SECOND) for name in ("SII-1", "OIII-1")]
    (notice,) = other_field_notices([*second, measured("L"), measured("R"), measured("G")])
    assert notice.text.startswith("sweeps SII-1, OIII-1 show other stars")


def test_nothing_is_said_of_sweeps_with_few_stars_or_none_measured():
    few = measured("Ha-1", frame=None, reason="too few stars")
    blank = measured("R", frame=None, reason=OTHER_STARS, radius=np.nan)
    assert other_field_notices([measured("L"), few, blank]) == ()
