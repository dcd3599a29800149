"""What is said of sweeps that show other stars than the rest."""

from pathlib import Path

import numpy as np

from starsize.frames.frame import FrameFacts, Sweep
from starsize.tracking import FrameRadius, MeasuredSweep, StarTracks, other_field_notices


def measured(name, *, pointing=0, radius=2.0):
    facts = FrameFacts(path=Path(f"{name}.fits"))
    none = np.zeros(0)
    return MeasuredSweep(
        id=name,
        filter=name,
        sweep=Sweep(name, name, (facts,)),
        frames=(FrameRadius(facts=facts, radius_px=radius, radius_sigma_px=0.1, n_stars=9),),
        tracks=StarTracks(
            x_px=none, y_px=none, radius_px=none, radius_sigma_px=none,
            flags=none.astype(int), pointing=pointing,
        ),
    )  # fmt: skip


def test_one_field_needs_no_words():
    assert other_field_notices([measured("L"), measured("R")]) == ()
    assert other_field_notices([]) == ()


def test_a_sweep_of_another_field_is_named():
    strange = measured("Ha-1", pointing=1)
    (notice,) = other_field_notices([measured("L"), measured("R"), strange])
    assert notice.code == "other_field"
    assert notice.text.startswith("sweep Ha-1 shows other stars")


def test_two_fields_are_told_from_the_larger():
    second = [measured(name, pointing=1) for name in ("SII-1", "OIII-1")]
    (notice,) = other_field_notices([*second, measured("L"), measured("R"), measured("G")])
    assert notice.text.startswith("sweeps SII-1, OIII-1 show other stars")


def test_nothing_is_said_of_sweeps_with_few_stars_or_none_measured():
    few = measured("Ha-1", pointing=None)
    blank = measured("R", pointing=1, radius=np.nan)
    assert other_field_notices([measured("L"), few, blank]) == ()
