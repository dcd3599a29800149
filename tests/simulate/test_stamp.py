from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photutils.aperture import CircularAperture
from scipy.optimize import brentq

from starsize.simulate import (
    FilterPlate,
    Lens,
    Pupil,
    Scene,
    add_stars,
    half_flux_radius_px,
    smeared,
    star_blur,
    star_stamp,
)

SCENE = Scene(
    filters={
        "V": FilterPlate(wavelengths_nm=(550.0,), weights=(1.0,), thickness_mm=0.0, index=1.0)
    },
    light="rays",
)


def drawn(blur, x, y, *, size=161, flux=1.0, **options):
    image = np.zeros((size, size))
    add_stars(image, star_stamp(blur, **options), np.array([[x, y, flux]]))
    return image


def exact_radius(image, x, y):
    def missing(radius):
        inside = CircularAperture((x, y), radius).to_mask(method="exact")
        return inside.get_values(image).sum() - 0.5

    return brentq(missing, 0.2, 60.0)


@pytest.mark.parametrize("defocus_um", [0.0, 60.0, 400.0])
@pytest.mark.parametrize("light", ["rays", "waves"])
def test_true_radius_is_the_exact_aperture_radius_averaged_over_the_pixel(light, defocus_um):
    # Reference: photutils' exact circular apertures on the drawn, pixel-integrated star.
    blur = star_blur(replace(SCENE, light=light), "V", defocus_um)
    places = 80 + (np.arange(5) + 0.5) / 5 - 0.5
    radii = [exact_radius(drawn(blur, x, y), x, y) for x in places for y in places]
    # The grid of 25 places leaves 0.1 % of the scatter within a pixel.
    assert_allclose(np.mean(radii), half_flux_radius_px(blur), rtol=2e-3)


def test_star_lies_where_it_was_put_and_keeps_its_light():
    blur = star_blur(SCENE, "V", 50.0)
    yy, xx = np.mgrid[:161, :161]
    for x, y in ((80.0, 80.0), (80.31, 79.77), (79.51, 80.49)):
        image = drawn(blur, x, y, flux=1000.0)
        assert_allclose(image.sum(), 1000.0, rtol=1e-5)
        assert_allclose((image * xx).sum() / image.sum(), x, atol=1e-4)
        assert_allclose((image * yy).sum() / image.sum(), y, atol=1e-4)


def test_whole_pixel_moves_are_exact():
    blur = star_blur(SCENE, "V", 50.0)
    here, there = drawn(blur, 80.3, 80.2), drawn(blur, 83.3, 78.2)
    assert_allclose(np.roll(here, (-2, 3), axis=(0, 1)), there, atol=1e-15)


def test_stars_at_the_edge_and_beyond_are_cut_not_wrapped():
    blur = star_blur(SCENE, "V", 50.0)
    assert_allclose(drawn(blur, -0.5, 80.0).sum(), 0.5, atol=1e-3)
    assert drawn(blur, -300.0, 80.0).sum() == 0


def test_poor_guiding_draws_the_star_out_along_x_only():
    # The variance of a line of length d is d^2 / 12.
    blur = star_blur(SCENE, "V", 0.0)
    yy, xx = np.mgrid[:161, :161] - 80.0
    round_star, long_star = drawn(blur, 80, 80), drawn(smeared(blur, (6.0, 0.0)), 80, 80)
    core = np.hypot(xx, yy) < 40
    gain_x, gain_y = (((long_star - round_star) * axis**2)[core].sum() for axis in (xx, yy))
    assert_allclose(gain_x, 36 / 12, rtol=0.01)
    assert_allclose(gain_y, 0.0, atol=0.01)


@pytest.mark.parametrize(("defocus_um", "obstruction"), [(0.0, 0.0), (120.0, 0.0), (120.0, 0.35)])
def test_pixels_agree_with_an_independent_drawing(defocus_um, obstruction):
    # GalSim: TopHat (minus a smaller one) convolved with a Moffat, drawn with square pixels.
    galsim = pytest.importorskip("galsim")
    scene = replace(SCENE, lens=replace(Lens(), obstruction=obstruction))
    image = drawn(star_blur(scene, "V", defocus_um), 80.2, 79.9)
    star = galsim.Moffat(beta=3.5, fwhm=scene.seeing_um / scene.sensor.pixel_um)
    edge = defocus_um / (2 * scene.lens.focal_ratio) / scene.sensor.pixel_um
    if edge > 0:
        disc = galsim.TopHat(edge)
        if obstruction > 0:
            hole = galsim.TopHat(edge * obstruction, flux=obstruction**2)
            disc = (disc - hole) / (1 - obstruction**2)
        star = galsim.Convolve(star, disc)
    other = star.drawImage(nx=161, ny=161, scale=1.0, offset=(0.2, -0.1), method="auto").array
    assert_allclose(image, other, atol=2e-3 * other.max())


def test_odd_star_lies_where_its_centroid_is_put_with_its_true_radius():
    # Reference: photutils' exact circular apertures, averaged over places within a pixel.
    pupil = Pupil(trefoil=0.4, coma=0.3, coma_deg=50.0, shadow_x=0.1)
    lens = Lens(obstruction=0.3, pupil=pupil)
    blur = star_blur(replace(SCENE, light="waves", lens=lens), "V", 150.0, smear_px=(1.0, 2.0))
    yy, xx = np.mgrid[:161, :161] - 80.0
    radii = []
    for x, y in ((80.0, 80.0), (80.3, 79.8), (79.6, 80.45), (80.5, 80.2)):
        image = drawn(blur, x, y)
        assert_allclose(image.sum(), 1.0, atol=2e-3)
        # The even rest of the halo, cut off with the stamp, has no centroid of its own.
        core = np.hypot(xx, yy) < 25
        assert_allclose((image * xx)[core].sum() / image[core].sum(), x - 80, atol=0.03)
        assert_allclose((image * yy)[core].sum() / image[core].sum(), y - 80, atol=0.03)
        radii.append(exact_radius(image, x, y))
    assert_allclose(np.mean(radii), half_flux_radius_px(blur), rtol=4e-3)
