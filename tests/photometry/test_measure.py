"""One image measured alone: radii right within 1 %, uncertainties true, always an answer."""

import numpy as np
import pytest

from starsize.photometry import StarFlag, measure_frame, measure_image

from .fields import DOUGHNUTS, NOISE, doughnut, moffat, moffat_field, noisy, on_wide_sky, ring


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


@pytest.mark.parametrize("half_px", [0.85, 1.0, 1.5, 2.5, 5.0])
@pytest.mark.parametrize("beta", [2.5, 3.5, 4.8])
def test_the_radius_is_that_of_all_the_light_as_it_fell(half_px, beta):
    # Closed form: r50 = alpha sqrt(2^(1/(beta-1)) - 1), without pixels and without an aperture.
    fluxes = np.full(25, 40.0 * NOISE * (half_px + 0.7) * 10)
    light, _ = moffat_field((420, 420), 25, 3, fluxes=fluxes, half_px=half_px, beta=beta, gap=60)
    radius = measure_image(noisy(light, 4), gain_e_per_adu=1.0).radius
    assert radius.n_stars >= 22
    assert abs(radius.radius_px / half_px - 1) < 0.012 + 2 * radius.radius_sigma_px / half_px


def test_each_star_states_a_true_uncertainty_of_each_of_its_radii():
    fluxes = np.geomspace(4e3, 4e5, 30)
    light, _ = moffat_field((600, 600), 30, 5, fluxes=fluxes, half_px=2.5, gap=70)
    runs = [measure_image(noisy(light, seed), gain_e_per_adu=1.0).stars for seed in range(8)]
    for name in ("radius30", "radius", "radius80"):
        values = np.concatenate([getattr(s, name)[:25] for s in runs])
        sigmas = np.concatenate([getattr(s, f"{name}_sigma")[:25] for s in runs])
        pulls = (values - np.median(values[sigmas < np.median(sigmas)])) / sigmas
        assert 0.6 < 1.4826 * np.median(np.abs(pulls)) < 1.3, name


def test_the_frame_states_a_true_uncertainty():
    fluxes = np.full(16, 8e3)
    light, _ = moffat_field((420, 420), 16, 7, fluxes=fluxes, half_px=2.5, gap=60)
    found = [measure_image(noisy(light, seed), gain_e_per_adu=1.0).radius for seed in range(16)]
    values = np.array([f.radius_px for f in found])
    stated = np.median([f.radius_sigma_px for f in found])
    assert 0.4 < values.std() / stated < 1.3


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
    assert radius.radius_px == pytest.approx(clean.radius_px, rel=0.003)
    assert radius.set_aside["saturated"] >= 1


def test_a_noisy_plateau_below_any_ceiling_is_found_by_its_flat_core():
    fluxes = np.geomspace(5e3, 2e5, 40)
    light, _ = moffat_field((600, 600), 40, 9, fluxes=fluxes, half_px=2.0, gap=45)
    plateau = moffat((600, 600), 301.3, 299.8, 3e6, half_px=2.0).clip(max=30_000)
    rng = np.random.default_rng(2)
    image = noisy(np.minimum(light + plateau, 30_000), 2) * rng.normal(1, 0.01, light.shape)
    stars = measure_image(image, gain_e_per_adu=1.0).stars
    brightest = np.argmin(np.hypot(stars.x - 301.3, stars.y - 299.8))
    assert stars.flags[brightest] & StarFlag.SATURATED


def test_where_all_stars_are_burnt_out_the_reason_says_so():
    light, _ = moffat_field((300, 300), 6, 3, fluxes=np.geomspace(3e6, 1e7, 6), half_px=2.0)
    radius = measure_image(noisy(light, 3).clip(max=65535)).radius
    assert radius.reason == "all_saturated"
    assert np.isnan(radius.radius_px)


def test_a_lone_star_leads_the_specks_beside_it():
    light = moffat((300, 300), 150.2, 140.7, 2e6, half_px=5.4)
    image = noisy(light, 6)
    for k, (x, y) in enumerate([(40, 60), (250, 80), (90, 250), (200, 230)]):
        image += moffat(image.shape, x, y, 450.0 + 20 * k, half_px=0.7)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert radius.radius_px == pytest.approx(5.4, rel=0.02)


def test_steps_of_the_converter_make_no_stars_and_change_no_radius():
    light, _ = moffat_field((400, 400), 12, 4, fluxes=np.full(12, 3e4), half_px=2.2)
    image = noisy(light, 5)
    fine = measure_image(image, gain_e_per_adu=1.0).radius
    for step in (4, 16, 40):
        coarse = measure_image(np.rint(image / step) * step, gain_e_per_adu=1.0).radius
        assert coarse.n_found == fine.n_found, step
        assert coarse.radius_px == pytest.approx(fine.radius_px, rel=0.01), step


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


def test_radii_of_30_and_80_per_cent_are_those_of_an_even_ring():
    # r_p^2 = R^2 (e^2 + p (1 - e^2)): closed form of an annulus.
    outer, hole = 22.0, 0.35
    image = noisy(ring((300, 300), 150.3, 149.6, 2e6, outer, hole), 3)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    for name, share in (("radius30_px", 0.3), ("radius_px", 0.5), ("radius80_px", 0.8)):
        true = outer * np.sqrt(hole**2 + share * (1 - hole**2))
        assert getattr(radius, name) == pytest.approx(true, rel=0.01), name


def test_rings_side_by_side_stay_two_stars():
    light = ring((300, 300), 120.0, 150.0, 1e6, 18.0) + ring((300, 300), 160.0, 150.0, 9e5, 18.0)
    stars = measure_image(noisy(light, 3), gain_e_per_adu=1.0).stars
    assert len(stars) == 2
    assert sorted(np.rint(stars.x)) == pytest.approx([120, 160], abs=1.5)


def test_places_known_from_other_frames_are_measured_in_their_order():
    fluxes = np.full(5, 3e4)
    light, places = moffat_field((300, 300), 5, 6, fluxes=fluxes, half_px=2.0)
    nowhere = [[10.0, 290.0]]
    stars = measure_image(noisy(light, 5), places=np.r_[places, nowhere]).stars
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
    forced = measure_image(image, places=[(30.0, 20.0), (-50.0, 7.0)]).stars
    assert len(forced) == 2
    assert len(measure_frame(image)) == len(measured.stars)


def test_a_wrong_shape_is_refused_in_one_line():
    with pytest.raises(ValueError, match="'image' must be 2-D, got shape"):
        measure_image(np.zeros(5))
    with pytest.raises(ValueError, match=r"'places' must have shape \(n, 2\), got"):
        measure_image(np.zeros((20, 20)), places=np.zeros(3))
