from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.simulate import (
    LENSES,
    FilterPlate,
    Lens,
    Pupil,
    Scene,
    Shot,
    Sky,
    frame_best_focus,
    frame_radius_px,
    half_flux_radius_px,
    smeared,
    star_blur,
)
from starsize.simulate.pupil import plane_transfer

ONE_COLOUR = {
    "V": FilterPlate(wavelengths_nm=(600.0,), weights=(1.0,), thickness_mm=0.0, index=1.0)
}
MIRROR = Scene(
    lens=Lens(focal_length_mm=800.0, aperture_mm=160.0, obstruction=0.3), filters=ONE_COLOUR
)


def with_pupil(scene, **pupil):
    return replace(scene, lens=replace(scene.lens, pupil=Pupil(**pupil)))


def radius(scene, outward_um, **options):
    blur = star_blur(scene, next(iter(scene.filters)), outward_um, **options)
    return half_flux_radius_px(blur, pixels=False)


@pytest.mark.parametrize("name", ["mirror_f4", "camera_lens_f2.8", "petzval_f5"])
@pytest.mark.parametrize("zones", [0.0, 3.0, -8.0])
def test_waves_in_the_plane_agree_with_the_hankel_transform_on_round_pupils(name, zones):
    # Two codes of one physics: grid and FFT here, quadrature over the radius there.
    scene = LENSES[name]
    outward = scene.filters["L"].shift_um() + zones * 1.1 * scene.lens.focal_ratio**2
    for fraction in (0.3, 0.5, 0.8):
        known, found = (
            half_flux_radius_px(star_blur(s, "L", outward), pixels=False, fraction=fraction)
            for s in (scene, with_pupil(scene, trefoil=1e-12))
        )
        assert_allclose(found, known, rtol=1.5e-3)


@pytest.mark.parametrize(
    ("pupil", "noll"),
    [
        ({"astigmatism": 0.3}, {"astig2": 0.3 / 6**0.5}),
        ({"astigmatism": 0.3, "astigmatism_deg": 45.0}, {"astig1": 0.3 / 6**0.5}),
        ({"coma": 0.25}, {"coma2": 0.25 / 8**0.5}),
        ({"trefoil": 0.4}, {"trefoil2": 0.4 / 8**0.5}),
        ({"vanes": 4, "vane_width": 0.02}, {"nstruts": 4, "strut_thick": 0.02}),
    ],
)
@pytest.mark.parametrize("defocus_waves", [-1.5, 0.0, 0.7])
def test_odd_pupils_agree_with_another_library(pupil, noll, defocus_waves):
    # GalSim: OpticalPSF, its aberrations in waves of Noll's normalised polynomials.
    galsim = pytest.importorskip("galsim")
    outward = 8 * 25 * defocus_waves * 0.6
    found = star_blur(with_pupil(MIRROR, **pupil), "V", outward)
    scale = {name: value * 550 / 600 for name, value in noll.items() if "strut" not in name}
    star = galsim.Convolve(
        galsim.Moffat(beta=3.5, fwhm=found.seeing_px),
        galsim.OpticalPSF(
            lam_over_diam=0.6 * 5 / 3.76,
            defocus=defocus_waves / (2 * 3**0.5),
            obscuration=0.3,
            pad_factor=2,
            oversampling=1.0,
            **{**noll, **scale},
        ),
    )
    image = star.drawImage(nx=800, ny=800, scale=0.1, method="no_pixel").array.astype(float)
    image /= star.flux  # its pixels hold all of the light but for the halo beyond 40 px
    y, x = np.mgrid[:800, :800] - 399.5
    centre = [(image * axis).sum() / image.sum() for axis in (x, y)]
    away = np.hypot(x - centre[0], y - centre[1]) * 0.1
    order = np.argsort(away, axis=None)
    light = np.cumsum(image.ravel()[order])
    for fraction in (0.3, 0.5):
        known = np.interp(fraction, light, away.ravel()[order])
        mine = half_flux_radius_px(found, pixels=False, fraction=fraction)
        # Counting whole pixels of 0.1 px leaves the reference up to a per cent.
        assert_allclose(mine, known, rtol=1e-2)


def test_small_astigmatism_splits_focus_into_two_lines():
    # W = A rho^2 cos 2t focuses one meridian where dz / (8 N^2) = -A and the other at +A
    # (Welford, Aberrations of Optical Systems -- from memory): there the star is a line.
    waves = 1.0
    scene = with_pupil(replace(MIRROR, sky=Sky(seeing_arcsec=0.5)), astigmatism=waves)
    line = star_blur(scene, "V", 8 * 25 * waves * 0.55)
    plane = np.abs(line.plane)
    # Few frequencies along the line, many across it.
    step = plane.shape[1] // 6
    along, across = sorted((plane[step, 0], plane[0, step]))
    assert across > 5 * along
    middle = star_blur(scene, "V", 0.0).plane
    assert_allclose(abs(middle[step, 0]), abs(middle[0, step]), rtol=1e-3)


def test_light_of_an_off_centre_shadow_and_of_coma_is_counted_from_its_centroid():
    for pupil in ({"coma": 0.5}, {"shadow_x": 0.2, "shadow_y": -0.1}):
        blur = star_blur(with_pupil(MIRROR, **pupil), "V", 300.0)
        # The transfer function of light about its centroid starts without a slope; a cubic term,
        # the light's skewness, is taken out.
        one, two = np.angle(np.diagonal(blur.plane)[1:3]), np.angle(blur.plane[[1, 2], 0])
        for first, second in (one, two):
            slope = (8 * first - second) / 6
            assert_allclose(slope * blur.field_px / (2 * np.pi), 0.0, atol=0.01)


def test_aberrations_grow_towards_the_corners():
    scene = with_pupil(MIRROR, corner_coma=1.0, corner_astigmatism=0.5)
    radii = [radius(scene, 0.0, place=(t, t)) for t in (0.0, 0.5, 1.0)]
    assert radii[0] < radii[1] < radii[2]
    assert_allclose(radius(scene, 0.0, place=(-1, 1)), radii[2], rtol=1e-2)
    shot = Shot(filter="V", camera_steps=12000.0, temperature_degC=10.0, exposure_s=1.0)
    assert radii[0] < frame_radius_px(scene, shot) < radii[2]


def test_focus_of_a_curved_field_is_that_of_its_mean_star():
    # Where defocus blurs quadratically, the mean over the field is least at the mean focus, here
    # c (u^2 + v^2) / 2 averaged over the sensor: c / 3.
    curved = replace(MIRROR, lens=replace(MIRROR.lens, curvature_um=30.0))
    moved = frame_best_focus(curved, "V") - frame_best_focus(MIRROR, "V")
    assert_allclose(moved * curved.focuser.um_per_step, 10.0, atol=1.0)


def test_wind_adds_its_variance():
    # The variance of a line of length d is d^2 / 12; nearly Gaussian seeing adds it to its own, and
    # the half-flux radius follows the root of the sum to second order.
    calm = star_blur(replace(MIRROR, sky=Sky(seeing_arcsec=6.0, beta=12.0)), "V", 0.0)
    bare = half_flux_radius_px(calm, pixels=False)
    for smear in ((1.5, 0.0), (0.9, -1.2)):
        blown = half_flux_radius_px(smeared(calm, smear), pixels=False)
        grown = np.sqrt(bare**2 + 1.1774**2 * 1.5**2 / 12 / 2)
        assert_allclose(blown, grown, rtol=2e-3)


def test_kolmogorov_seeing_has_the_known_radius_and_colour():
    # exp(-3.44 (f lambda / r0)^(5/3)): half-light radius over FWHM 0.5544 (GalSim's Kolmogorov:
    # half_light_radius 0.554811, fwhm 0.975865 lambda / r0, so 0.5685).
    air = Sky(seeing_arcsec=6.0, kolmogorov=True)
    plates = {
        n: replace(ONE_COLOUR["V"], wavelengths_nm=(w,)) for n, w in (("V", 550.0), ("R", 770.0))
    }
    wide = Lens(focal_length_mm=800.0, aperture_mm=400.0)
    scene = replace(MIRROR, lens=wide, filters=plates, sky=air, light="rays")
    fwhm = scene.seeing_um / scene.sensor.pixel_um
    green, red = (half_flux_radius_px(star_blur(scene, n, 0.0), pixels=False) for n in "VR")
    assert_allclose(green / fwhm, 0.554811 / 0.975865, rtol=2e-3)
    assert_allclose(red / green, (770 / 550) ** -0.2, rtol=1e-3)


def test_odd_pupils_need_waves():
    with pytest.raises(ValueError, match="'light' must be 'waves'"):
        star_blur(with_pupil(replace(MIRROR, light="rays"), coma=0.1), "V", 0.0)


def test_transfer_starts_at_one_and_ends_at_the_cutoff():
    found = plane_transfer(
        Pupil(),
        field_um=200.0,
        wavelength_nm=500.0,
        focal_ratio=5.0,
        obstruction=0.0,
        defocus_um=0.0,
        spherical_um=0.0,
    )
    # Perfect disc: (2/pi) (arccos v - v sqrt(1 - v^2)), v = lambda N f (Goodman, Introduction to
    # Fourier Optics -- from memory).
    v = np.arange(found.shape[1]) * 2.5 / 200
    inside = np.minimum(v, 1)
    ideal = 2 / np.pi * (np.arccos(inside) - inside * np.sqrt(1 - inside**2))
    assert_allclose(found[0].real, ideal, atol=0.01)
