import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from starsize.optics import annulus_half_flux_radius, moffat_half_flux_radius
from starsize.simulate.transfer import (
    encircled,
    moffat_transfer,
    panel_nodes,
    pixel_transfer_mean,
    ray_transfer,
    wave_transfer,
)

# In units of lambda N: one micrometre light at f/1.
UNIT = {"wavelength_nm": 1000.0, "focal_ratio": 1.0}


def radius_holding(fraction, frequency, weight, transfer):
    return brentq(lambda r: encircled(r, frequency, weight, transfer) - fraction, 1e-3, 50.0)


def test_clear_pupil_in_focus_has_the_textbook_transfer_function():
    # (2/pi) (acos v - v sqrt(1 - v^2)): Goodman, Introduction to Fourier Optics (from memory).
    v = np.linspace(0, 1, 41)
    exact = 2 / np.pi * (np.arccos(v) - v * np.sqrt(1 - v * v))
    assert_allclose(wave_transfer(v, 0.0, **UNIT), exact, atol=1e-5)


def test_no_frequency_is_lost_where_the_struve_function_passes_through_zero():
    # Struve's H0 at 25.765362303135525; the light is integrated to 80 lambda N.
    v = 25.765362303135525 / (2 * np.pi * 80) + np.array([-1e-6, 0.0, 1e-6])
    before, at, after = wave_transfer(v, 0.0, **UNIT)
    assert_allclose(at, (before + after) / 2, rtol=1e-6)


@pytest.mark.parametrize(("fraction", "radius"), [(0.5, 0.534832), (0.8, 0.89694), (0.9, 1.90069)])
def test_airy_pattern_holds_its_light_within_the_known_radii(fraction, radius):
    # Roots of Rayleigh's encircled energy, 1 - J0^2 - J1^2.
    f, w = panel_nodes(1.0, 120)
    found = radius_holding(fraction, f, w, wave_transfer(f, 0.0, **UNIT))
    assert_allclose(found, radius, rtol=2e-4)


@pytest.mark.parametrize(
    ("waves", "clear", "obstructed"),
    [
        (0.0, 0.5348, 0.6253),
        (0.25, 0.6330, 0.7582),
        (0.5, 1.2346, 1.5648),
        (1.0, 2.4206, 2.8327),
        (2.0, 5.1817, 5.6374),
        (4.0, 11.0188, 11.4492),
    ],
)
def test_defocused_diffraction_agrees_with_independent_quadrature(waves, clear, obstructed):
    # Half-energy radii by direct Bessel quadrature (and to 0.5 % by GalSim's OpticalPSF), for a
    # clear pupil and one 35 % obstructed; defocus dz = 8 N^2 W.
    f, w = panel_nodes(1.0, 120)
    for obstruction, radius in ((0.0, clear), (0.35, obstructed)):
        transfer = wave_transfer(f, 8 * waves, obstruction=obstruction, **UNIT)
        assert_allclose(radius_holding(0.5, f, w, transfer), radius, rtol=1.5e-4)


def test_defocus_of_a_quarter_wave_leaves_the_known_central_intensity():
    # (sin(pi/4) / (pi/4))^2 = 0.810569 (Born & Wolf, Principles of Optics -- from memory).
    f, w = panel_nodes(1.0, 120)
    peaks = [np.sum(w * f * wave_transfer(f, dz, **UNIT)) for dz in (0.0, 2.0)]
    assert_allclose(peaks[1] / peaks[0], 0.810569, rtol=1e-4)


def test_a_quarter_wave_leaves_the_known_share_of_light_in_the_airy_disc():
    # Encircled energy of pure defocus inside 1.2197 lambda N: 0.8378, 0.8109, 0.7351, 0.4935
    # at 0, 1/8, 1/4 and 1/2 wave, by quadrature.
    f, w = panel_nodes(1.0, 120)
    shares = [
        encircled(1.219670, f, w, wave_transfer(f, 8 * waves, **UNIT))
        for waves in (0, 1 / 8, 1 / 4, 1 / 2)
    ]
    assert_allclose(shares, [0.8378, 0.8109, 0.7351, 0.4935], atol=1e-4)


def test_best_focus_of_spherical_aberration_lies_halfway():
    # With primary spherical aberration the wave error is least halfway between the focus of the
    # centre and that of the edge (Born & Wolf, sec. 9.3, from memory), where the central
    # intensity is highest.
    f, w = panel_nodes(1.0, 120)
    places = np.linspace(-3.5, -0.5, 13)
    peaks = [np.sum(w * f * wave_transfer(f, place, spherical_um=4.0, **UNIT)) for place in places]
    assert_allclose(places[np.argmax(peaks)], -2.0, atol=1e-9)


@pytest.mark.parametrize("obstruction", [0.0, 0.2, 0.35])
@pytest.mark.parametrize("focal_ratio", [4.0, 10.0])
def test_rays_fill_an_even_disc_of_the_geometric_size(obstruction, focal_ratio):
    # Closed form: the disc has diameter dz / N and half its light inside R sqrt((1 + e^2) / 2).
    # Seeing a hundredth of the size keeps the integral finite and changes it below 0.02 %.
    defocus, edge = 160.0, 80.0 / focal_ratio
    f, w = panel_nodes(60 / edge, 120)
    transfer = ray_transfer(f, defocus, focal_ratio=focal_ratio, obstruction=obstruction)
    transfer = transfer * moffat_transfer(f, fwhm_um=0.02 * edge, beta=4.0)
    found = radius_holding(0.5, f, w, transfer)
    assert_allclose(found, annulus_half_flux_radius(edge, obstruction), rtol=5e-4)


def test_rays_and_waves_agree_far_from_focus():
    # Geometric optics is the limit of many waves of defocus: 12 waves, seeing of a tenth.
    edge, (f, w) = 4 * 12.0, panel_nodes(0.4, 120)
    air = moffat_transfer(f, fwhm_um=0.2 * edge, beta=3.5)
    radii = [
        radius_holding(0.5, f, w, air * transfer)
        for transfer in (
            wave_transfer(f, 96.0, obstruction=0.3, **UNIT),
            ray_transfer(f, 96.0, focal_ratio=1.0, obstruction=0.3),
        )
    ]
    assert_allclose(radii[0], radii[1], rtol=0.03)


@pytest.mark.parametrize("beta", [2.5, 3.5, 4.765])
def test_moffat_seeing_has_the_closed_form_radius(beta):
    alpha = 3.0 / (2 * np.sqrt(2 ** (1 / beta) - 1))
    f, w = panel_nodes(2.5, 120)
    found = radius_holding(0.5, f, w, moffat_transfer(f, fwhm_um=3.0, beta=beta))
    assert_allclose(found, moffat_half_flux_radius(alpha, beta), rtol=1e-5)


def test_no_seeing_leaves_the_light_alone():
    assert_allclose(moffat_transfer(np.array([0.0, 1.0]), fwhm_um=0.0, beta=3.0), 1.0)


def test_pixel_widens_by_a_twelfth_of_its_area_on_each_axis():
    # The variance of a unit square is 1/12 per axis: M(f) = 1 - 2 pi^2 f^2 / 12 + ... .
    f = np.array([1e-3])
    for times in (1, 2):
        expected = 2 * np.pi**2 * f**2 * times / 12
        assert_allclose(1 - pixel_transfer_mean(f, times=times), expected, rtol=1e-4)
