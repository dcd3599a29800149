import pytest
from numpy.testing import assert_allclose

from starsize.simulate import FilterPlate, Lens, Scene, Sky, band_samples, true_best_focus
from starsize.simulate.plate import usual_plate


@pytest.mark.parametrize(
    ("focal_ratio", "shift_mm"),
    [
        (2.0, 1.056195),
        (2.8, 1.039742),
        (4.0, 1.030830),
        (5.0, 1.027719),
        (6.0, 1.026023),
        (8.0, 1.024332),
        (10.0, 1.023548),
        (15.0, 1.022773),
    ],
)
def test_edge_rays_are_moved_as_traced_rays_are(focal_ratio, shift_mm):
    # 3 mm of N-BK7 at the d line, traced through two surfaces with the batoid ray tracer.
    plate = usual_plate("L", thickness_mm=3.0, index=1.5168)
    edge = plate.shift_um() + plate.spherical_um(focal_ratio)
    assert_allclose(edge / 1e3, shift_mm, atol=1e-6)
    assert_allclose(plate.shift_um() / 1e3, 1.022152, atol=1e-6)


@pytest.mark.parametrize("light", ["rays", "waves"])
def test_one_more_millimetre_moves_the_smallest_star_by_a_third_of_it(light):
    # Between the shift of the central rays, t (1 - 1/n) = 340.72 um, and that of the edge rays,
    # 342.25 um at f/5.5 (N-BK7; Smith, Modern Optical Engineering -- from memory).
    lens = Lens(focal_length_mm=480.0, aperture_mm=480 / 5.5)
    plates = {
        name: FilterPlate(
            wavelengths_nm=(587.6,), weights=(1.0,), thickness_mm=thickness, index=1.5168
        )
        for name, thickness in (("thin", 2.0), ("thick", 3.0))
    }
    scene = Scene(lens=lens, filters=plates, sky=Sky(seeing_arcsec=2.5), light=light)
    moved = true_best_focus(scene, "thick") - true_best_focus(scene, "thin")
    assert 340.6 < moved * scene.focuser.um_per_step < 342.4


def test_band_samples_cover_the_band_evenly():
    colours, weights = band_samples(500.0, 100.0, samples=4)
    assert colours == (462.5, 487.5, 512.5, 537.5)
    assert weights == (0.25,) * 4


def test_tapered_band_falls_off_to_both_sides():
    colours, weights = band_samples(500.0, 90.0, samples=3, taper=0.75)
    assert_allclose(colours, (470.0, 500.0, 530.0))
    assert_allclose(weights, (0.25, 0.5, 0.25))


def test_usual_plate_needs_a_usual_filter():
    with pytest.raises(ValueError, match="'name' must be one of L, R"):
        usual_plate("V")
