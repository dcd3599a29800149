"""Curve shapes against GalSim and against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from starsize.curves import blurred_disc, hyperbola, v_curve
from starsize.curves.band import band_dip, band_radius
from starsize.curves.shapes import blurred_disc_shape

U = np.array([0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0])


def galsim_radius(u, *, obstruction, beta):
    """Half-light radius of Moffat (1) convolved with an annulus (u), by GalSim 2.8."""
    galsim = pytest.importorskip("galsim")
    outer = u / np.sqrt((1 + obstruction**2) / 2)
    disc = galsim.TopHat(outer)
    if obstruction:
        hole = galsim.TopHat(outer * obstruction, flux=obstruction**2)
        disc = (galsim.TopHat(outer) - hole) / (1 - obstruction**2)
    star = galsim.Convolve(
        galsim.Moffat(beta=beta, half_light_radius=1.0),
        disc,
        gsparams=galsim.GSParams(folding_threshold=2e-3, maximum_fft_size=16384),
    )
    return star.calculateHLR(size=1024, scale=(u + 1) / 40)


@pytest.mark.parametrize(("obstruction", "beta"), [(0.0, 3.5), (0.35, 3.5), (0.0, 4.765)])
def test_blurred_disc_agrees_with_galsim(obstruction, beta):
    """GalSim convolves by FFT; it and we agree within its pixels and folding, 0.5 %."""
    near = np.array([0.5, 1.5, 4.0])
    ours = blurred_disc(near, 0.0, 1.0, slope_px_per_step=1.0, obstruction=obstruction, beta=beta)
    theirs = [galsim_radius(u, obstruction=obstruction, beta=beta) for u in near]
    assert_allclose(ours, theirs, rtol=5e-3)


def test_blurred_disc_agrees_with_the_published_run_of_galsim():
    """HFR / floor recorded from GalSim for beta 3.5 and a disc; it was good to about 0.5 %."""
    recorded = [1.026, 1.103, 1.214, 1.365, 1.731, 2.153, 3.074, 4.035, 6.011]
    assert_allclose(blurred_disc(U, 0.0, 1.0, slope_px_per_step=1.0), recorded, rtol=5e-3)


@pytest.mark.parametrize("obstruction", [0.0, 0.2, 0.35, 0.6])
def test_far_from_focus_the_disc_alone_remains(obstruction):
    """An even disc or annulus of half-flux radius u: geometry."""
    far = blurred_disc([60.0], 0.0, 1.0, slope_px_per_step=1.0, obstruction=obstruction)
    assert_allclose(far, 60.0, rtol=1e-3)


def test_the_slope_of_the_shape_is_its_derivative():
    shape, step = blurred_disc_shape(0.2), 1e-5
    slope = (shape(U + step)[0] - shape(U - step)[0]) / (2 * step)
    assert_allclose(shape(U)[1], slope, rtol=1e-6)


def test_hyperbola_and_v_share_their_wings():
    position = np.array([-1e4, 1e4])
    wide = hyperbola(position, 5.0, 2.0, slope_px_per_step=0.1)
    assert_allclose(wide, v_curve(position, 5.0, slope_px_per_step=0.1), rtol=1e-5)


def test_a_band_without_width_is_the_blurred_disc():
    """The two tables are made by different quadratures."""
    u = np.linspace(-6, 6, 25)
    band = band_radius(u, np.zeros(25), np.zeros(25), obstruction=0.0)
    assert_allclose(band.value, blurred_disc_shape()(u)[0], rtol=1e-5)
    assert_allclose(band.by_floor, band.value - u * band.by_u, atol=1e-9)


def test_slopes_of_the_band_are_its_derivatives():
    u = np.linspace(-4, 4, 9)

    def value(u, line, bend):
        return band_radius(u, line + 0 * u, bend + 0 * u, obstruction=0.0).value

    found, h = band_radius(u, 2.0 + 0 * u, 1.0 + 0 * u, obstruction=0.0), 1e-4
    assert_allclose(found.by_u, (value(u + h, 2, 1) - value(u - h, 2, 1)) / (2 * h), atol=1e-5)
    assert_allclose(found.by_line, (value(u, 2 + h, 1) - value(u, 2 - h, 1)) / (2 * h), atol=1e-5)
    assert_allclose(found.by_bend, (value(u, 2, 1 + h) - value(u, 2, 1 - h)) / (2 * h), atol=1e-5)


def test_the_dip_of_a_band_is_where_a_fine_scan_finds_it():
    u = np.linspace(-2, 2, 801)
    scan = band_radius(u, 1.5 + 0 * u, -1.0 + 0 * u, obstruction=0.0).value
    dip, radius, _, _ = band_dip(np.array([1.5]), np.array([-1.0]), obstruction=0.0)
    assert_allclose(dip[0], u[scan.argmin()], atol=0.01)
    assert_allclose(radius[0], scan.min(), rtol=1e-5)


@pytest.mark.parametrize(("line", "bend"), [(1.5, -1.0), (2.0, 1.2), (4.0, 2.0), (0.5, 0.5)])
def test_the_dip_of_a_band_moves_with_its_colours_as_stated(line, bend):
    """Against the root of the slope by SciPy's brentq, on either side."""

    def dip(line, bend):
        def slope(u):
            one = np.ones(1)
            return band_radius(u * one, line * one, bend * one, obstruction=0.0).by_u[0]

        return brentq(slope, start - 0.3, start + 0.3, xtol=1e-9)

    found = band_dip(np.array([line]), np.array([bend]), obstruction=0.0)
    start, h = found[0][0], 0.02
    assert_allclose(start, dip(line, bend), atol=0.01)
    assert_allclose(found[2][0], (dip(line + h, bend) - dip(line - h, bend)) / (2 * h), atol=0.02)
    assert_allclose(found[3][0], (dip(line, bend + h) - dip(line, bend - h)) / (2 * h), atol=0.02)


@pytest.mark.parametrize("off", [0.01, 0.5, 1.3, 40.0])
def test_where_the_search_for_a_band_starts_does_not_matter(off):
    u = np.linspace(-6, 6, 49)
    cold = band_radius(u, 2.0 + 0 * u, 1.0 + 0 * u, obstruction=0.3)
    warm = band_radius(u, 2.0 + 0 * u, 1.0 + 0 * u, obstruction=0.3, near=off * cold.value)
    assert_allclose(warm.value, cold.value, rtol=1e-6)
    assert_allclose(warm.by_line, cold.by_line, atol=1e-4)


@pytest.mark.parametrize("obstruction", [-0.1, 0.7])
def test_an_obstruction_outside_the_table_is_refused(obstruction):
    with pytest.raises(ValueError, match=r"'obstruction' must lie in \[0, 0.6\]"):
        blurred_disc([1.0], 0.0, 1.0, slope_px_per_step=1.0, obstruction=obstruction)


def test_a_beta_outside_the_table_is_refused():
    with pytest.raises(ValueError, match=r"'beta' must be one of 2\.5, 3\.5, 4\.765, got 3"):
        blurred_disc([1.0], 0.0, 1.0, slope_px_per_step=1.0, beta=3.0)


@pytest.mark.parametrize(("line", "bend"), [(0.0, 0.0), (2.0, 1.0), (1.0, -1.0), (0.5, 3.0)])
def test_a_band_curve_is_smooth_everywhere(line, bend):
    u = np.linspace(-6, 6, 4001)
    radius = band_radius(u, line + 0 * u, bend + 0 * u, obstruction=0.0).value
    # Curvature of the curve is of order one per floor: a root lost at one point stands out.
    assert np.abs(np.diff(radius, 2)).max() < 10 * (u[1] - u[0]) ** 2
