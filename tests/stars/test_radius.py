"""The half-flux radius against closed forms, GalSim, sep, and the noise it cannot beat."""

import numpy as np
import pytest
import sep
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from starsize.optics import (
    annulus_half_flux_radius,
    gaussian_half_flux_radius,
    moffat_half_flux_radius,
)
from starsize.stars import StarFlag, half_flux_radius

from .scenes import draw, fine_star, spread_places

HALF = 60


def on_fine_pixels(profile, half=HALF):
    """A profile drawn so finely that pixels do not matter (radii of 8 to 12 pixels)."""
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    return profile(np.hypot(x - 0.3, y + 0.2))


def gaussian(sigma):
    return lambda r: np.exp(-0.5 * (r / sigma) ** 2) / (2 * np.pi * sigma**2)


def moffat(alpha, beta):
    return lambda r: (1 + (r / alpha) ** 2) ** -beta * (beta - 1) / (np.pi * alpha**2)


def annulus(radius, hole):
    def profile(r):
        rim = np.clip(radius - r + 0.5, 0, 1) - np.clip(hole * radius - r + 0.5, 0, 1)
        return rim / (np.pi * radius**2 * (1 - hole**2))

    return profile


@pytest.mark.parametrize(
    ("profile", "truth"),
    [
        (gaussian(5.0), gaussian_half_flux_radius(5.0)),
        (moffat(10.0, 2.5), moffat_half_flux_radius(10.0, 2.5)),
        (moffat(12.0, 3.5), moffat_half_flux_radius(12.0, 3.5)),
        (annulus(14.0, 0.0), annulus_half_flux_radius(14.0)),
        (annulus(14.0, 0.35), annulus_half_flux_radius(14.0, 0.35)),
    ],
    ids=["gaussian", "moffat 2.5", "moffat 3.5", "disc", "annulus"],
)
@pytest.mark.parametrize("total", [None, 1e6])
def test_noiseless_profiles_give_their_closed_forms(profile, truth, total):
    # Closed forms: starsize.optics. One star alone must guess its wings: 1 % where they are wide
    # (Moffat beta 2.5 keeps 1 % of its light beyond 60 px here); 0.5 % where all light is told.
    image = 1e6 * on_fine_pixels(profile) + 500.0
    radii = half_flux_radius(
        image,
        [(HALF + 0.3, HALF - 0.2)],
        total_flux=None if total is None else [total],
        background_adu=500.0,
        noise_adu=1.0,
    )
    assert_allclose(radii.radius[0], truth, rtol=0.01 if total is None else 0.005)
    assert radii.flags[0] == 0


def test_the_mean_radius_is_the_other_quantity():
    # Gaussian: sqrt(pi/2) sigma against sqrt(2 ln 2) sigma; disc: 2R/3 against R/sqrt 2 (derived).
    for profile, mean in ((gaussian(5.0), 1.25331 * 5), (annulus(14.0, 0.0), 2 / 3 * 14)):
        image = 1e6 * on_fine_pixels(profile)
        radii = half_flux_radius(image, [(HALF, HALF)], background_adu=0.0, noise_adu=1.0)
        assert_allclose(radii.mean_radius[0], mean, rtol=0.01)


@pytest.mark.parametrize(
    ("disc", "hole", "fwhm", "beta"),
    [(0, 0, 1.7, 3.5), (0, 0, 3.0, 2.7), (3, 0.2, 2.5, 3.5), (8, 0.35, 3, 3), (16, 0.2, 3, 3.5)],
)
def test_single_galsim_stars_are_measured_to_a_per_cent(disc, hole, fwhm, beta):
    # Source: GalSim (Rowe et al. 2015), Moffat convolved with a uniform pupil, pixels by
    # method "auto". Truth: the same definition on its noiseless pixels, flux 1 known.
    galsim = pytest.importorskip("galsim")
    star = galsim.Moffat(beta=beta, fwhm=fwhm)
    if disc:
        rim = galsim.TopHat(disc, flux=1 / (1 - hole**2))
        star = galsim.Convolve(star, rim - galsim.TopHat(disc * hole, flux=hole**2 / (1 - hole**2)))
    size = 2 * int(6 * max(disc, 2 * fwhm)) + 41
    rng = np.random.default_rng(16)
    errors = []
    for _ in range(8):
        at = rng.uniform(-0.5, 0.5, 2)
        image = galsim.ImageD(size, size)
        star.drawImage(image, scale=1.0, offset=tuple(at))
        pixels, middle = image.array.copy(), [np.array([size // 2, size // 2]) + at]
        truth = half_flux_radius(
            pixels, middle, total_flux=[1.0], background_adu=0.0, noise_adu=1e-6, recentre=False
        ).radius[0]
        noisy = 2e5 * pixels + 800 + rng.normal(0, 5, pixels.shape)
        found = half_flux_radius(noisy, middle + rng.normal(0, 0.3, 2), gain_e_per_adu=1.0)
        errors.append(found.radius[0] / truth - 1)
    assert abs(np.median(errors)) < 0.013


def test_with_the_total_told_the_radius_is_that_of_sep():
    # Source: sep.flux_radius, an oracle to 1 % within six half-light radii (it samples the growth
    # of light coarsely).
    rng = np.random.default_rng(17)
    places = spread_places(rng, (300, 300), 12, gap=50, rim=30)
    image, drawn = draw((300, 300), places, np.full(12, 1e5), fine_star(3.0), sky=0.0)
    ours = half_flux_radius(
        image, drawn, total_flux=np.full(12, 1e5), background_adu=0.0, noise_adu=1.0
    )
    x, y = drawn.T
    theirs, _ = sep.flux_radius(
        image, x, y, np.full(12, 6 * ours.radius[0]), 0.5, normflux=np.full(12, 1e5), subpix=5
    )
    assert_allclose(ours.radius, theirs, rtol=0.01)


SCENE_RNG = np.random.default_rng(18)
SCENE_PLACES = spread_places(SCENE_RNG, (220, 260), 9, gap=48, rim=34)
SCENE, SCENE_DRAWN = draw(
    (220, 260), SCENE_PLACES, np.full(9, 4e4), fine_star(3.0, obstruction=0.3), rng=SCENE_RNG
)
SCENE_RADII = half_flux_radius(SCENE, SCENE_DRAWN).radius


@settings(max_examples=20)
@given(scale=st.floats(0.1, 50), offset=st.floats(-500, 5000))
def test_neither_gain_nor_pedestal_changes_a_radius(scale, offset):
    found = half_flux_radius(SCENE * scale + offset, SCENE_DRAWN).radius
    assert_allclose(found, SCENE_RADII, rtol=1e-3)


@settings(max_examples=20)
@given(dx=st.integers(0, 12), dy=st.integers(0, 12))
def test_a_shift_by_whole_pixels_changes_no_radius(dx, dy):
    rng = np.random.default_rng(19)
    wider = rng.normal(800, 10, (240, 280))
    wider[dy : dy + 220, dx : dx + 260] = SCENE
    found = half_flux_radius(wider, SCENE_DRAWN + np.array([dx, dy])).radius
    assert_allclose(found, SCENE_RADII, rtol=1e-3)


@pytest.mark.parametrize(
    ("turn", "place"),
    [
        (lambda a: a.T, lambda p: p[:, ::-1]),
        (lambda a: a[:, ::-1], lambda p: np.array([259, 0]) + p * (-1, 1)),
        (lambda a: a[::-1], lambda p: np.array([0, 219]) + p * (1, -1)),
    ],
    ids=["transposed", "left for right", "upside down"],
)
def test_a_frame_turned_over_has_the_same_radii(turn, place):
    found = half_flux_radius(turn(SCENE), place(SCENE_DRAWN)).radius
    # Rounding puts a pixel of the sky ring here or there.
    assert_allclose(found, SCENE_RADII, rtol=5e-4)


def many(rng, *, disc, snr, n=64, noise=10.0):
    """Stars of one signal-to-noise ratio in a circle of 1.4 half-flux radii, far apart."""
    star = fine_star(disc, obstruction=0.3, fwhm_px=3.0)
    about = np.hypot(0.72 * disc, 2.0)
    gap = int(11 * about) + 8
    side = int(np.sqrt(n))
    y, x = np.mgrid[:side, :side].reshape(2, -1) * gap + gap // 2
    places = np.stack([x, y], 1) + rng.uniform(-0.5, 0.5, (side * side, 2))
    area = np.pi * (1.4 * about) ** 2
    flux = (snr**2 + np.sqrt(snr**4 + 4 * snr**2 * noise**2 * area)) / 2 / 0.72
    shape = (side * gap, side * gap)
    clean, drawn = draw(shape, places, np.full(len(places), flux), star, sky=0.0)
    truth = half_flux_radius(
        clean, drawn, total_flux=np.full(len(drawn), flux), background_adu=0.0,
        noise_adu=1e-3, recentre=False,
    ).radius  # fmt: skip
    noisy = clean + rng.normal(size=shape) * np.sqrt(noise**2 + clean.clip(0)) + 600
    return noisy, drawn, flux, truth


@pytest.mark.parametrize("disc", [0.0, 4.0, 12.0])
@pytest.mark.parametrize(("snr", "allowed"), [(10, 0.03), (30, 0.01), (200, 0.01)])
def test_bias_and_stated_uncertainty_hold_in_noise(disc, snr, allowed):
    # A smaller twin of scripts/star_accuracy.py.
    rng = np.random.default_rng(round(100 * disc) + snr)
    image, drawn, _, truth = many(rng, disc=disc, snr=snr)
    found = half_flux_radius(
        image, drawn + rng.normal(0, 0.2, drawn.shape), noise_adu=10.0, gain_e_per_adu=1.0
    )
    # The median of 64 stars is itself uncertain by an eighth of their scatter.
    error = found.own_radius - truth
    assert abs(np.median(error / truth)) < allowed + 0.2 * np.median(found.own_sigma / truth)
    # A spread of 64 pulls is known to 9 %: 0.85 to 1.15, and two of that.
    pull = (error - np.median(error)) / found.own_sigma
    assert 0.68 < 1.4826 * np.median(np.abs(pull)) < 1.4


@pytest.mark.parametrize("disc", [0.0, 4.0, 12.0])
@pytest.mark.parametrize("snr", [10, 30, 100])
def test_scatter_is_no_worse_than_that_of_sep_at_its_best_total_flux_radius(disc, snr):
    # Source: sep.flux_radius on the same pixels with the true sky taken off; the best of eight
    # apertures for the total flux is the one with the smallest error from the truth.
    rng = np.random.default_rng(round(10 * disc) + snr)
    image, drawn, _, truth = many(rng, disc=disc, snr=snr)
    found = half_flux_radius(image, drawn, noise_adu=10.0, gain_e_per_adu=1.0)
    ours = np.sqrt(np.mean((found.radius / truth - 1) ** 2))
    flat, (x, y), size = image - 600, drawn.T, float(np.median(truth))
    theirs = []
    for aperture in (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0):
        total, _, _ = sep.sum_circle(flat, x, y, aperture * size, subpix=0)
        reach = np.full(len(x), 6 * size)
        radius, _ = sep.flux_radius(flat, x, y, reach, 0.5, normflux=total, subpix=5)
        theirs.append(np.sqrt(np.mean((radius / truth - 1) ** 2)))
    assert ours < min(theirs)


def test_the_stated_uncertainty_respects_the_photon_floor():
    # Half-flux radius of a Gaussian from N photons alone: 0.7213 r / sqrt N (large-sample variance
    # of a median, Cramer 1946); no estimator of its width does better than 0.5 / sqrt N.
    image = 1e6 * on_fine_pixels(gaussian(5.0)) + 500.0
    found = half_flux_radius(
        image, [(HALF + 0.3, HALF - 0.2)], background_adu=500.0, noise_adu=0.01, gain_e_per_adu=1.0
    )
    assert found.sigma[0] > 0.5 / 1e3 * found.radius[0]
    told = half_flux_radius(
        image,
        [(HALF + 0.3, HALF - 0.2)],
        total_flux=[1e6],
        background_adu=500.0,
        noise_adu=0.01,
        gain_e_per_adu=1.0,
    )
    # With the mean total told instead of counted, the light inside has the variance N/2, not N/4.
    assert_allclose(told.sigma[0] / told.radius[0], 0.7213 * np.sqrt(2) / 1e3, rtol=0.05)


def test_saturated_edge_and_masked_stars_are_flagged():
    image = SCENE.copy()
    x, y = np.rint(SCENE_DRAWN[0]).astype(int)
    ceiling = image[y - 3 : y + 4, x - 3 : x + 4].max()
    saturated = half_flux_radius(image, SCENE_DRAWN[:1], saturation_adu=ceiling)
    assert saturated.flags[0] & StarFlag.SATURATED
    at_edge = half_flux_radius(image[:, x - 2 :], SCENE_DRAWN[:1] - (x - 2, 0))
    assert at_edge.flags[0] & StarFlag.EDGE
    image[y - 3 : y + 1, x - 4 : x + 5] = np.nan
    assert half_flux_radius(image, SCENE_DRAWN[:1]).flags[0] & StarFlag.MASKED


def test_a_few_missing_pixels_are_mended_from_the_other_side():
    image = SCENE.copy()
    x, y = np.rint(SCENE_DRAWN[2]).astype(int)
    image[y + 1, x + 2] = np.nan
    found = half_flux_radius(image, SCENE_DRAWN)
    assert found.flags[2] == 0
    # The opposite pixel is up to half a pixel off centre: a per cent of the light of one pixel.
    assert_allclose(found.radius[2], SCENE_RADII[2], rtol=0.01)


def test_empty_sky_has_no_radius():
    rng = np.random.default_rng(20)
    found = half_flux_radius(rng.normal(500, 5, (90, 90)), [(45.0, 45.0)], guess_px=3.0)
    assert np.isnan(found.radius[0]) or found.sigma[0] > 0.15 * found.radius[0] or found.flags[0]


def test_no_places_give_no_radii():
    assert len(half_flux_radius(SCENE, []).radius) == 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"image": np.zeros(5), "positions": [(1, 1)]}, "'image' must be 2-D"),
        ({"image": SCENE, "positions": [1.0, 2.0]}, r"'positions' must have shape \(n, 2\)"),
        (
            {"image": SCENE, "positions": [(9, 9)], "total_flux": [1.0, 2.0]},
            r"'total_flux' must have shape \(1,\)",
        ),
    ],
)
def test_a_bad_call_is_refused_at_once(arguments, message):
    with pytest.raises(ValueError, match=message):
        half_flux_radius(**arguments)
