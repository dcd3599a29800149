"""Which stars are set aside: burnt out by level or by shape, blended."""

import numpy as np
import pytest

from starsize.photometry import Known, StarFlag, measure_image
from starsize.photometry.detect import Peaks
from starsize.photometry.measure import _with_places

from .fields import moffat, moffat_field, noisy


def test_one_burnt_out_star_does_not_carry_the_frame():
    # An ordinary minute: many good stars and one whose core stands at the ceiling.
    rng = np.random.default_rng(11)
    fluxes = 3e3 * rng.uniform(size=60) ** -0.7
    light, places = moffat_field((700, 700), 60, 8, fluxes=fluxes, half_px=1.8, gap=45)
    clean = measure_image(noisy(light, 1), gain_e_per_adu=1.0).radius
    x, y = 20.0 + 330, 20.0 + 330
    keep = np.hypot(*(places - (x, y)).T).min() > 5
    burnt = noisy(light + moffat((700, 700), x, y, 4e6, half_px=1.8), 1).clip(max=65535)
    assert keep
    assert np.sum(burnt >= 65535) > 3
    radius = measure_image(burnt, gain_e_per_adu=1.0).radius
    assert radius.radius_px == pytest.approx(clean.radius_px, rel=0.005)
    assert radius.set_aside["saturated"] >= 1


def test_noisy_plateaus_below_any_ceiling_do_not_carry_the_frame():
    light, _ = moffat_field(
        (600, 600), 30, 9, fluxes=np.geomspace(2e4, 8e6, 30), half_px=2.0, gap=45
    )
    assert np.sum(light > 30_000) > 100
    rng = np.random.default_rng(2)
    image = noisy(light.clip(max=30_000), 2) * rng.normal(1, 0.01, light.shape)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert radius.radius_px == pytest.approx(2.0, rel=0.006)


def test_specks_beside_a_burnt_out_star_do_not_stand_for_it():
    light = moffat((300, 300), 150.2, 140.7, 3e7, half_px=5.4)
    for x, y in [(40, 60), (90, 250)]:
        light += moffat(light.shape, x, y, 450.0, half_px=0.7)
    radius = measure_image(noisy(light, 6).clip(max=65535), gain_e_per_adu=1.0).radius
    assert radius.reason == "all_saturated"


def test_where_all_stars_are_burnt_out_the_reason_says_so():
    light, _ = moffat_field((300, 300), 6, 3, fluxes=np.geomspace(3e6, 1e7, 6), half_px=2.0)
    radius = measure_image(noisy(light, 3).clip(max=65535)).radius
    assert radius.reason == "all_saturated"
    assert np.isnan(radius.radius_px)


def test_a_star_that_shares_its_light_is_set_aside():
    light, places = moffat_field((500, 500), 12, 4, fluxes=np.full(12, 3e4), half_px=2.5, gap=60)
    x, y = places[0]
    light += moffat(light.shape, x + 8, y + 3, 3e4, half_px=2.5)
    measured = measure_image(noisy(light, 5), gain_e_per_adu=1.0)
    stars = measured.stars
    pair = np.hypot(stars.x - x, stars.y - y) < 14
    assert pair.sum() == 2
    assert np.all(stars.flags[pair] & StarFlag.BLENDED)
    assert measured.radius.radius_px == pytest.approx(2.5, rel=0.012)


def test_a_known_star_is_told_by_its_light():
    light, places = moffat_field((300, 300), 5, 9, fluxes=np.full(5, 3e4), half_px=2.0)
    rows, columns = np.indices(light.shape)
    knots = sum(
        400 * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 6.0**2)) for x, y in places[:3]
    )
    known = Known(places, 2.0, np.full(5, 3e4))
    for share in (1.0, 0.4):  # cloud dims all stars alike
        measured = measure_image(noisy(share * light + knots, 5), known=known, gain_e_per_adu=1.0)
        odd = measured.stars.flags & StarFlag.SHAPE > 0
        assert odd.tolist() == [True, True, True, False, False], share
        # Of most stars, which give more than is theirs, it would be 3.9 and 4.2 px.
        assert measured.radius.radius_px == pytest.approx(2.0, rel=0.06), share


def test_what_stands_out_of_a_known_ring_is_the_ring_s_own():
    spots = np.array([12.0, 60.0, 36.0, 150.0]), np.array([50.0, 50.0, 74.0, 50.0])
    peaks = _with_places(
        Peaks(*spots, np.full(4, 4.0), np.full(4, 7.0)), np.array([[36.0, 50.0]]), 18.0
    )
    assert peaks.x.tolist() == [36.0, 150.0]
    assert peaks.width.tolist() == [18.0, 4.0]
