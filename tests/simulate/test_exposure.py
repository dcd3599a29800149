from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photutils.aperture import CircularAperture
from scipy.optimize import brentq

from starsize.simulate import (
    Lens,
    Pointing,
    Scene,
    Sensor,
    Shot,
    Sky,
    StarField,
    draw_exposure,
    expected_light,
    place_stars,
    star_field,
    true_best_focus,
    true_curve,
    usual_plate,
)

NO_STARS = StarField(count=0)
LONE_STAR = StarField(
    count=1, faintest_e_per_s=1e5, brightest_e_per_s=1e5, clearance_px=1e4, seed=7
)
SHOT = Shot(filter="L", camera_steps=12171.0, temperature_degC=10.0, exposure_s=3.0)


def rng(seed=1):
    return np.random.default_rng(seed)


def scene(**changes):
    return replace(Scene(light="rays"), **changes)


def radius_of(image, x, y, *, reach=24):
    """Half-flux radius with photutils' exact apertures; half of the light within ``reach``."""

    def flux(radius):
        return CircularAperture((x, y), radius).to_mask(method="exact").get_values(image).sum()

    half = flux(reach) / 2
    return brentq(lambda radius: flux(radius) - half, 0.3, reach)


def test_noise_obeys_the_photon_transfer_law():
    # Photon transfer (common practice): variance in ADU^2 = mean / gain + (read noise / gain)^2.
    sensor = Sensor(shape=(300, 300), gain_e_per_adu=1.6, read_noise_e=3.0, bias_adu=400.0)
    means, variances = [], []
    for exposure in (0.0, 20.0, 60.0, 200.0):
        glow = Sky(glow_e_per_s=10.0, gradient=0.0, vignetting=0.0)
        dim = scene(sensor=sensor, stars=NO_STARS, sky=glow)
        shot = replace(SHOT, exposure_s=exposure)
        one, two = (draw_exposure(dim, shot, rng=rng(k)).astype(float) for k in (1, 2))
        means.append((one + two).mean() / 2 - 400.0)
        variances.append((one - two).var() / 2 - 1 / 12)  # rounding to whole ADU adds 1/12
    assert_allclose(means, np.array([0, 200, 600, 2000]) / 1.6, rtol=2e-3, atol=0.03)
    # 90,000 pairs: the variance is known to 0.5 %.
    assert_allclose(variances, np.array(means) / 1.6 + (3 / 1.6) ** 2, rtol=0.02)


def test_same_seed_same_frame_and_other_seed_other_noise():
    frames = [draw_exposure(scene(), SHOT, rng=rng(seed)) for seed in (4, 4, 5)]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])
    assert frames[0].dtype == np.uint16


@pytest.mark.parametrize("light", ["rays", "waves"])
def test_drawn_stars_have_the_true_radius_in_and_out_of_focus(light):
    stars = LONE_STAR
    clean = scene(
        light=light,
        stars=stars,
        sky=Sky(glow_e_per_s=0.0, vignetting=0.0),
        sensor=Sensor(shape=(400, 400)),
    )
    best = true_best_focus(clean, "L")
    lone = star_field(stars, (400, 400))[:1]
    x, y, _ = place_stars(lone, (400, 400), Pointing())[0]
    thirds = (-1 / 3, 0.0, 1 / 3)
    for away in (0.0, 80.0):
        radii = []
        for place in ((200 + a, 200 + b) for a in thirds for b in thirds):
            pointing = Pointing(dx_px=place[0] - x, dy_px=place[1] - y)
            shot = replace(SHOT, camera_steps=best + away, pointing=pointing)
            radii.append(radius_of(expected_light(clean, shot), *place, reach=100))
        # Small stars differ by 8 % between places within a pixel; the truth is their mean. The
        # halo of diffraction beyond 100 px holds 0.2 % of the light.
        assert_allclose(np.mean(radii), true_curve(clean, "L", [best + away])[0], rtol=0.006)


def test_saturated_stars_stop_at_the_ceiling():
    bright = StarField(count=30, faintest_e_per_s=1e6, brightest_e_per_s=1e6)
    full = scene(stars=bright, sensor=Sensor(full_well_adu=30000.0, bias_adu=500.0))
    image = draw_exposure(full, SHOT, rng=rng())
    assert image.max() == 30500
    assert (image == 30500).sum() > 30
    assert (
        draw_exposure(scene(stars=bright, sensor=Sensor(full_well_adu=9e9)), SHOT, rng=rng()).max()
        == 65535
    )


def test_hot_pixels_stay_while_the_sky_moves():
    hot = scene(sensor=Sensor(hot_pixels=80), stars=NO_STARS)
    frames = [
        draw_exposure(hot, replace(SHOT, pointing=Pointing(dx_px=dx)), rng=rng(k))
        for k, dx in enumerate((0.0, 12.0))
    ]
    places = [set(zip(*np.nonzero(frame > 560), strict=True)) for frame in frames]
    assert len(places[0]) > 60
    assert len(places[0] & places[1]) > 0.95 * len(places[0])
    other = draw_exposure(replace(hot, sensor=Sensor(hot_pixels=80, serial=2)), SHOT, rng=rng())
    assert len(places[0] & set(zip(*np.nonzero(other > 560), strict=True))) < 5


def test_cosmic_rays_and_satellites_come_at_the_stated_rate():
    quiet = scene(stars=NO_STARS, sky=Sky(cosmic_rays=0.0))
    struck = scene(stars=NO_STARS, sky=Sky(cosmic_rays=20.0))
    crossed = scene(stars=NO_STARS, sky=Sky(satellite_chance=1.0))
    bright = [(draw_exposure(s, SHOT, rng=rng(3)) > 600).sum() for s in (quiet, struck, crossed)]
    assert bright[0] == 0
    assert 40 < bright[1] < 400  # twenty tracks of five pixels on average
    assert bright[2] > 400  # right across, three pixels wide


def test_sky_carries_vignetting_and_gradient():
    glow = Sky(glow_e_per_s=100.0, gradient=0.2, vignetting=0.3)
    image = expected_light(scene(stars=NO_STARS, sky=glow), SHOT)
    middle = image[240, 320]
    assert_allclose(middle, 300.0, rtol=1e-2)
    assert_allclose(image[0, -1] / middle, 0.7, rtol=1e-2)
    assert_allclose(image[-1, -1] / image[0, 0], (1 + 0.1) / (1 - 0.1), rtol=1e-9)


def test_pointing_turns_about_the_middle_and_then_moves():
    sky = np.array([[0.0, 0.0, 1.0], [10.0, 0.0, 1.0]])
    turned = place_stars(sky, (101, 201), Pointing(dx_px=3.0, dy_px=-2.0, rotation_deg=90.0))
    assert_allclose(turned, [[103.0, 48.0, 1.0], [103.0, 58.0, 1.0]], atol=1e-12)
    flipped = place_stars(sky, (101, 201), Pointing(rotation_deg=180.0))
    assert_allclose(flipped[1, :2], [90.0, 50.0], atol=1e-12)


def test_star_counts_follow_the_power_law():
    # N(> F) ~ F^-0.75: four magnitudes more, 2^4 = 15.8 times the stars (10^(0.3 * 4)).
    stars = star_field(
        StarField(count=20000, faintest_e_per_s=1.0, brightest_e_per_s=1e9), (480, 640)
    )
    bright, all_of_them = (stars[:, 2] > 10**1.6).sum(), len(stars)
    assert_allclose(all_of_them / bright, 10**1.2, rtol=0.05)
    assert (np.diff(stars[:, 2]) <= 0).all()


def test_clearance_keeps_stars_apart():
    stars = star_field(StarField(count=500, clearance_px=10.0), (480, 640))[:, :2]
    gaps = np.hypot(*(stars[:, None] - stars[None]).transpose(2, 0, 1))
    assert gaps[~np.eye(len(stars), dtype=bool)].min() >= 10.0


def test_cloud_takes_its_share_of_the_light():
    clear = expected_light(scene(), SHOT)
    veiled = expected_light(scene(), replace(SHOT, cloud=0.6))
    assert_allclose(veiled, 0.4 * clear, rtol=1e-6, atol=0.06)


def test_colour_camera_sees_each_colour_through_its_own_pixels():
    plates = {name: usual_plate(name) for name in "RGB"}
    plates["B"] = replace(plates["B"], throughput=0.0)
    for pattern in ("RGGB", "BGGR", "GRBG", "GBRG"):
        colour = scene(filters=plates, sensor=Sensor(bayer=pattern))
        image = expected_light(colour, replace(SHOT, filter="G"))
        alone = {
            name: expected_light(scene(filters=plates), replace(SHOT, filter=name))
            for name in "RGB"
        }
        for k, name in enumerate(pattern):
            cell = np.s_[k // 2 :: 2, k % 2 :: 2]
            assert_allclose(image[cell], alone[name][cell])


def test_curved_and_tilted_field_focuses_where_the_lens_says():
    # Two stars, one on axis, one in the corner: each is smallest at its own place.
    lens = Lens(curvature_um=80.0)
    clean = scene(lens=lens, sky=Sky(glow_e_per_s=0.0), sensor=Sensor(shape=(301, 301)))
    best = true_best_focus(clean, "L")
    away = lens.curvature_um / clean.focuser.um_per_step
    one = replace(clean, stars=LONE_STAR)
    x, y, _ = place_stars(star_field(one.stars, (301, 301))[:1], (301, 301), Pointing())[0]

    def radius_at(where, steps):
        moved = Pointing(dx_px=where - x, dy_px=where - y)
        image = expected_light(one, replace(SHOT, camera_steps=steps, pointing=moved))
        return radius_of(image, where, where)

    assert radius_at(150, best) < radius_at(150, best + away) - 0.4
    corner = 270  # u = v = 0.8: 0.64 of the curvature
    assert radius_at(corner, best + 0.64 * away) < radius_at(corner, best) - 0.15


def test_image_grows_as_the_camera_moves_out():
    # 2 mm of camera travel at 480 mm: a star 200 px from the middle moves by 200 / 240 px.
    clean = scene(
        stars=replace(LONE_STAR, count=1),
        sky=Sky(glow_e_per_s=0.0, vignetting=0.0, gradient=0.0),
        sensor=Sensor(shape=(601, 601)),
    )
    x, y, _ = star_field(clean.stars, (601, 601))[0]
    pointing = Pointing(dx_px=200 - x, dy_px=-y)
    best = true_best_focus(clean, "L")
    xx = np.arange(601) - 300.0
    centres = []
    for steps in (best - 250, best + 250):
        shot = replace(SHOT, camera_steps=steps, pointing=pointing)
        image = expected_light(clean, shot)
        centres.append((image.sum(axis=0) * xx).sum() / image.sum())
    # The sky turns about the middle, so only the star's own distance from it is stretched.
    assert_allclose(centres[1] - centres[0], x * 2.0 / 480, rtol=0.02)
