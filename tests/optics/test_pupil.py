import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq
from scipy.special import j1

from starsize.optics.pupil import pupil_table
from starsize.simulate.transfer import wave_transfer

WAVES = np.array([0, 0.25, 0.5, 1.0, 2.0, 4.0])
# Half-energy radius in units of lambda N at W waves of defocus: direct Bessel quadrature, confirmed
# by GalSim's OpticalPSF to 0.5 % (references 2.4).
HALF_ENERGY = {
    0.0: [0.5348, 0.6330, 1.2346, 2.4206, 5.1817, 11.0188],
    0.35: [0.6253, 0.7582, 1.5648, 2.8327, 5.6374, 11.4492],
}


def transfer(table, defocus, spherical):
    one = np.ones((1, 1, 1))
    found = table.read(np.array([[defocus]]), np.array([spherical]), one, which=np.zeros(1, int))
    return found[[0, 2, 1], 0]


@pytest.mark.parametrize("obstruction", [0.0, 0.35])
def test_half_energy_radii_of_defocused_pupils_are_the_published_ones(obstruction):
    table = pupil_table(obstruction, 5.0, top=1.0, nodes=128)
    for waves, known in zip(WAVES, HALF_ENERGY[obstruction], strict=True):
        light = transfer(table, waves, 0.0)[0] * table.weight

        def missing(r, light=light):
            return 2 * np.pi * r * light @ j1(2 * np.pi * table.detail * r) - 0.5

        assert_allclose(brentq(missing, 0.05, 16), known, rtol=5e-4)


@pytest.mark.parametrize("obstruction", [0.0, 0.3])
@pytest.mark.parametrize(("defocus", "spherical"), [(0.7, 0.0), (-1.3, 0.5), (2.2, -0.9)])
def test_the_overlap_agrees_with_the_hankel_transform_of_the_simulator(
    obstruction, defocus, spherical
):
    """Two roads: the pupil laid over itself here, the amplitude in the focal plane there."""
    table = pupil_table(obstruction, 3.0, top=0.9, nodes=64)
    ratio, wavelength_nm = 5.0, 500.0
    unit_um = 8 * ratio**2 * wavelength_nm * 1e-3
    known = wave_transfer(
        table.detail / (wavelength_nm * 1e-3 * ratio),
        (defocus - spherical) * unit_um,
        wavelength_nm=wavelength_nm,
        focal_ratio=ratio,
        obstruction=obstruction,
        spherical_um=2 * spherical * unit_um,
    )
    assert_allclose(transfer(table, defocus, spherical)[0], known, atol=2e-3)


def test_the_slopes_of_the_table_are_its_derivatives():
    table = pupil_table(0.2, 3.0, top=1.0, nodes=64)
    step = 1e-4
    for waves, bend in [(0.41, 0.33), (-2.2, -0.7)]:
        _, by_defocus, by_spherical = transfer(table, waves, bend)
        up, down = (transfer(table, waves + s, bend)[0] for s in (step, -step))
        assert_allclose(by_defocus, (up - down) / (2 * step), atol=1e-5)
        up, down = (transfer(table, waves, bend + s)[0] for s in (step, -step))
        assert_allclose(by_spherical, (up - down) / (2 * step), atol=1e-5)
