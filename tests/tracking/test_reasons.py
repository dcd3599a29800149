import math

import pytest

from starsize.photometry import REASONS, ImageRadius
from starsize.tracking.words import reason_of

NAN = math.nan


@pytest.mark.parametrize("code", REASONS)
def test_every_reason_of_photometry_is_said_with_what_to_do(code):
    radius = ImageRadius(
        radius_px=NAN, radius_sigma_px=NAN, radius30_px=NAN, radius30_sigma_px=NAN,
        radius80_px=NAN, radius80_sigma_px=NAN, n_stars=0, n_found=3, elongation=NAN,
        elongation_angle_deg=NAN, background_adu=500.0, background_rms_adu=7.0,
        set_aside={"faint": 3}, reason=code,
    )  # fmt: skip
    seen, remedy = reason_of(radius).split("; ", 1)
    assert seen
    assert remedy
