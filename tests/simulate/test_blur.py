from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from starsize.optics import moffat_half_flux_radius, wing_slope_px_per_um
from starsize.simulate import (
    FilterPlate,
    Lens,
    Scene,
    Sensor,
    Sky,
    half_flux_radius_px,
    star_blur,
    true_best_focus,
    true_curve,
)

ONE_COLOUR = {
    "V": FilterPlate(wavelengths_nm=(550.0,), weights=(1.0,), thickness_mm=0.0, index=1.0)
}


def plain_scene(**changes):
    return replace(Scene(lens=Lens(), filters=ONE_COLOUR, light="rays"), **changes)


def overlap_of_discs(first, second, distance):
    """Area common to two discs (the lens of two circular segments, school geometry)."""
    inside = np.pi * min(first, second) ** 2
    distance = np.maximum(distance, 1e-12)
    cos_1 = (distance**2 + first**2 - second**2) / (2 * distance * first)
    cos_2 = (distance**2 + second**2 - first**2) / (2 * distance * second)
    angle_1, angle_2 = (np.arccos(np.clip(c, -1, 1)) for c in (cos_1, cos_2))
    lens = first**2 * (angle_1 - np.sin(2 * angle_1) / 2)
    lens = lens + second**2 * (angle_2 - np.sin(2 * angle_2) / 2)
    return np.where(distance <= abs(first - second), inside, lens)


def blurred_disc_radius(edge, alpha, beta):
    """Half-flux radius of a disc in Moffat seeing, by summing over the seeing in real space."""
    share = (np.arange(20000) + 0.5) / 20000  # equal shares of the Moffat's light
    away = alpha * np.sqrt((1 - share) ** (-1 / (beta - 1)) - 1)

    def missing(radius):
        return np.mean(overlap_of_discs(edge, radius, away)) / (np.pi * edge**2) - 0.5

    return brentq(missing, 1e-3, 3 * edge + 5 * alpha)


U = np.array([0.25, 0.5, 0.75, 1, 1.5, 2, 3, 4, 6])


def radii_over_floor(scene):
    fwhm = scene.seeing_um / scene.sensor.pixel_um
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / scene.sky.beta) - 1))
    floor = moffat_half_flux_radius(alpha, scene.sky.beta)
    slope = wing_slope_px_per_um(scene.lens.focal_ratio, scene.sensor.pixel_um)
    blurs = [star_blur(scene, "V", u * floor / slope) for u in U]
    return np.array([half_flux_radius_px(b, pixels=False) for b in blurs]) / floor, alpha / floor


def test_disc_seen_through_seeing_agrees_with_a_sum_in_real_space():
    found, alpha = radii_over_floor(plain_scene())
    edges = U * np.sqrt(2)  # half of a disc's light lies within edge / sqrt 2
    known = [blurred_disc_radius(edge, alpha, 3.5) for edge in edges]
    assert_allclose(found, known, rtol=2e-4)


def test_disc_seen_through_seeing_agrees_with_another_library():
    # GalSim, TopHat convolved with Moffat (beta 3.5): half-light radius over that of the seeing.
    # Its calculateHLR works on a sampled image and is itself good to half a per cent.
    known = [1.026, 1.103, 1.214, 1.365, 1.731, 2.153, 3.074, 4.035, 6.011]
    assert_allclose(radii_over_floor(plain_scene())[0], known, rtol=5e-3)


def test_pixels_widen_a_small_star_by_the_known_share():
    # The square pixel, twice over, adds its second moment: a Gaussian of HFR 1.1774 s grows to
    # that of s^2 + 2/12. Seeing with beta 12 is close enough to a Gaussian for 1 %.
    scene = plain_scene(sky=Sky(seeing_arcsec=4.5, beta=12.0))
    blur = star_blur(scene, "V", 0.0)
    bare = half_flux_radius_px(blur, pixels=False)
    sigma = bare / 1.1774
    assert_allclose(half_flux_radius_px(blur), 1.1774 * np.sqrt(sigma**2 + 2 / 12), rtol=0.01)


def test_far_from_focus_the_radius_grows_with_the_geometric_slope():
    scene = plain_scene(lens=Lens(obstruction=0.35))
    step = scene.focuser.um_per_step
    positions = scene.focuser.home_steps + np.array([400.0, 500.0])
    radii = true_curve(scene, "V", positions)
    slope = wing_slope_px_per_um(scene.lens.focal_ratio, scene.sensor.pixel_um, 0.35)
    assert_allclose(np.diff(radii)[0], slope * 100 * step, rtol=2e-3)


@pytest.mark.parametrize("light", ["rays", "waves"])
def test_curve_of_one_colour_is_even_about_best_focus(light):
    scene = plain_scene(light=light)
    best = true_best_focus(scene, "V")
    assert_allclose(best, scene.focuser.home_steps, atol=0.01)
    offsets = np.array([10.0, 40.0, 90.0])
    assert_allclose(
        true_curve(scene, "V", best + offsets), true_curve(scene, "V", best - offsets), rtol=1e-4
    )


def test_best_focus_follows_the_temperature():
    scene = plain_scene()
    scene = replace(scene, focuser=replace(scene.focuser, steps_per_degC=-6.0, home_degC=10.0))
    moved = true_best_focus(scene, "V", temperature_degC=7.5) - true_best_focus(scene, "V")
    assert_allclose(moved, 15.0, atol=0.02)


def test_best_focus_is_the_deepest_point_of_a_lopsided_curve():
    # The blue of an achromat: a fine scan of the curve itself is the reference.
    scene = Scene(
        lens=Lens(focal_length_mm=600.0, aperture_mm=100.0, glasses=("N-BK7", "F2")),
        filters={
            "B": FilterPlate(wavelengths_nm=(430.0, 445.0, 460.0, 475.0, 490.0), weights=(0.2,) * 5)
        },
    )
    best = true_best_focus(scene, "B")
    scan = np.arange(best - 60, best + 60.5, 2.0)
    radii = true_curve(scene, "B", scan)
    assert abs(scan[np.argmin(radii)] - best) <= 2.0
    assert true_curve(scene, "B", [best])[0] <= radii.min() + 1e-6
    left, right = true_curve(scene, "B", [best - 50, best + 50])
    assert abs(left - right) > 0.3


def test_spherical_aberration_makes_the_two_sides_differ():
    bent = plain_scene(lens=Lens(spherical_um=120.0))
    best = true_best_focus(bent, "V")
    left, right = true_curve(bent, "V", [best - 30, best + 30])
    assert abs(left - right) > 0.05 * left


def test_worse_seeing_lifts_the_floor_more_than_the_wings():
    scene = plain_scene()
    home = scene.focuser.home_steps
    good = true_curve(scene, "V", [home, home + 100])
    bad = true_curve(scene, "V", [home, home + 100], seeing_factor=1.2)
    growth = bad / good - 1
    assert growth[0] > 0.15
    assert growth[1] < 0.03


def test_unknown_filter_is_refused():
    with pytest.raises(ValueError, match="'filter_name' must be one of V, got 'L'"):
        star_blur(plain_scene(), "L", 0.0)


def test_rays_without_seeing_are_refused():
    with pytest.raises(ValueError, match="needs some seeing"):
        star_blur(plain_scene(sky=Sky(seeing_arcsec=0.0)), "V", 10.0)


def test_perfect_telescope_without_air_shows_the_airy_disc():
    # Airy: half the light within 0.534832 lambda N.
    scene = plain_scene(light="waves", sky=Sky(seeing_arcsec=0.0), sensor=Sensor(pixel_um=0.5))
    found = half_flux_radius_px(star_blur(scene, "V", 0.0), pixels=False)
    assert_allclose(found * 0.5, 0.534832 * 0.55 * scene.lens.focal_ratio, rtol=2e-4)
