"""One image measured alone: radii right within 1 %, uncertainties true, always an answer."""

import numpy as np
import pytest

from starsize.photometry import Known, StarFlag, measure_image, star_table

from .fields import DOUGHNUTS, doughnut, moffat_field, noisy, on_wide_sky


@pytest.mark.parametrize("name", DOUGHNUTS)
def test_a_real_doughnut_is_one_star_within_one_per_cent_as_a_stamp(name):
    radius = measure_image(doughnut(name)).radius
    assert radius.n_stars == 1
    assert radius.n_found == 1
    assert radius.radius_px == pytest.approx(DOUGHNUTS[name], rel=0.01)


@pytest.mark.parametrize("name", DOUGHNUTS)
def test_a_real_doughnut_is_one_star_within_one_per_cent_on_a_wide_sky(name):
    radius = measure_image(on_wide_sky(doughnut(name))).radius
    assert radius.n_stars == 1
    assert radius.radius_px == pytest.approx(DOUGHNUTS[name], rel=0.01)


def test_places_known_from_other_frames_are_measured_in_their_order():
    fluxes = np.full(5, 3e4)
    light, places = moffat_field((300, 300), 5, 6, fluxes=fluxes, half_px=2.0)
    nowhere = [[10.0, 290.0]]
    stars = measure_image(noisy(light, 5), known=Known(np.r_[places, nowhere])).stars
    assert np.hypot(stars.x[:5] - places[:, 0], stars.y[:5] - places[:, 1]).max() < 0.2
    assert stars.radius[:5] == pytest.approx(2.0, rel=0.05)
    assert stars.flags[5] & (StarFlag.FAINT | StarFlag.UNMEASURED)


def _ugly():
    light, _ = moffat_field((200, 300), 6, 6, fluxes=np.full(6, 3e4), half_px=2.0)
    good = noisy(light, 5)
    half, huge, inf = good.copy(), good.copy(), good.copy()
    half[:, :150] = np.nan
    huge[50:60, 50:60] = 1e30
    inf[3, 3] = np.inf
    empty = np.random.default_rng(0).normal(500, 10, (200, 200))
    yield "half", half, None
    yield "huge", huge, None
    yield "inf", inf, None
    lace = good.copy()
    lace[np.random.default_rng(1).random(good.shape) < 0.5] = np.nan
    yield "half of the pixels", lace, "too_many_holes"
    yield "every second column", np.where(np.arange(300) % 2, good, np.nan), "too_many_holes"
    yield "negative", good - 5000, None
    yield "beyond float32", np.full((60, 60), 1e300), "no_pixels"
    yield "lone pixel", np.where(np.indices((80, 80)).sum(0) == 3, 1000.0, 0.0), "no_stars"
    yield "big-endian", good.astype(">f4"), None
    yield "nan", np.full((50, 60), np.nan), "no_pixels"
    yield "all infinite", np.full((50, 60), np.inf), "no_pixels"
    yield "noise", empty, "no_stars"
    yield "constant", np.full((100, 100), 7, np.uint16), "no_stars"
    yield "row", empty[:1], "too_small"
    yield "column", empty[:, :1], "too_small"
    yield "nothing", np.zeros((0, 5)), "too_small"


@pytest.mark.parametrize(("image", "reason"), [pytest.param(i, r, id=n) for n, i, r in _ugly()])
def test_every_image_gets_an_answer_or_a_reason(image, reason):
    measured = measure_image(image)
    assert measured.radius.reason == reason
    assert np.isnan(measured.radius.radius_px) == (reason is not None)
    forced = measure_image(image, known=Known(np.array([(30.0, 20.0), (-50.0, 7.0)]))).stars
    assert len(forced) == 2
    assert len(star_table(measured.stars)) == len(measured.stars)


def test_a_wrong_shape_is_refused_in_one_line():
    with pytest.raises(ValueError, match="'image' must be 2-D, got shape"):
        measure_image(np.zeros(5))
    with pytest.raises(ValueError, match=r"'places' must have shape \(n, 2\), got"):
        measure_image(np.zeros((20, 20)), known=Known(np.zeros(3)))
    with pytest.raises(ValueError, match="'places' must be finite"):
        measure_image(np.zeros((20, 20)), known=Known(np.array([(np.nan, 3.0)])))
