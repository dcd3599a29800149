from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.filters import BANDS as USUAL_BANDS
from starsize.optics import sizes as optics, wing_slope_px_per_um
from starsize.optics.sizes import star_radii, star_sizes
from starsize.optics.star import Apertures, Known, StarState, colour_terms, prepare_stars
from starsize.simulate import Scene, Sky, star_blur
from starsize.simulate.curve import bounded_radius_px, half_flux_radius_px
from starsize.simulate.lens import Lens
from starsize.simulate.plate import usual_plate

TELESCOPE = Known(focal_ratio=6.0, pixel_um=3.76, obstruction=0.2)
BANDS = [(550.0, 300.0), (656.3, 0.0), (450.0, 100.0)]
WHICH = np.repeat([0, 1, 2], 5)
CIRCLE = np.tile([11.0, 6.0, 5.0, np.nan, 12.0], 3)
SEEN = Apertures(CIRCLE, 1.6 * CIRCLE, 2.3 * CIRCLE, np.full(15, 0.17))


def stars_in(seen):
    return prepare_stars(
        BANDS, WHICH, telescope=TELESCOPE, largest_blur_px=14.0, finest_seeing_px=1.2, seen=seen
    )


STARS = stars_in(SEEN)


def state(**changed):
    usual = {
        "blur_px": np.tile([-8.0, -2.0, 0.3, 2.5, 9.0], 3),
        "seeing_px": np.full(15, 2.4),
        "diffraction_px_per_um": TELESCOPE.diffraction_px_per_um,
        "colour_px": np.array([1.3, 3.0, -2.0]),
        "spherical": 0.3,
        "spread_px": 0.7,
        "spectrum": np.array([0.2, -0.3, -0.2]),
        "tint": np.full(15, 0.2),
    }
    return StarState(**(usual | changed))


def moved(value, by, index=None):
    if index is None:
        return value + by
    out = np.array(value, float)
    out[index] += by
    return out


@pytest.mark.parametrize(
    ("name", "index", "slope"),
    [
        ("blur_px", None, optics.BLUR),
        ("colour_px", 0, 5),
        ("colour_px", 1, 6),
        ("colour_px", 2, 7),
        ("spherical", None, optics.SPHERICAL),
        ("spread_px", None, optics.SPREAD),
        ("air", None, optics.AIR),
        ("spectrum", 0, 11),
        ("spectrum", 1, 12),
        ("spectrum", 2, 13),
        ("tint", None, optics.TINT),
        ("seeing_px", None, optics.LOG_SEEING),
    ],
)
def test_every_slope_is_the_derivative_of_the_radius(name, index, slope):
    step, middle = 1e-4, state()
    value = getattr(middle, name)
    up, down = (
        star_sizes(STARS, replace(middle, **{name: moved(value, s, index)}))[optics.RADIUS]
        for s in (step, -step)
    )
    scale = 1 / 2.4 if name == "seeing_px" else 1.0
    found = scale * star_sizes(STARS, middle)[slope]
    assert_allclose(found, (up - down) / (2 * step), atol=2e-4)


def test_the_slope_by_what_photometry_states_is_the_derivative_of_the_radius():
    step = 1e-4

    def grown(factor):
        lengths = (SEEN.total_px, SEEN.inner_px, SEEN.outer_px)
        seen = Apertures(*(factor * r for r in lengths), factor**2 * SEEN.pixel_px2)
        return star_sizes(stars_in(seen), state())[optics.RADIUS]

    numeric = (grown(1 + step) - grown(1 - step)) / (2 * step)
    assert_allclose(star_sizes(STARS, state())[optics.SEEN], numeric, atol=2e-4)


@pytest.mark.parametrize("name", ["B", "L"])
def test_the_many_discs_of_an_achromat_fill_its_blue_as_continuous_light_does(name):
    """Against the simulator's Hankel transforms with 100 colours a band, in starlight."""
    lens = Lens(focal_length_mm=600.0, aperture_mm=100.0, glasses=("N-BK7", "F2"))
    scene = Scene(
        lens=lens,
        filters={name: usual_plate(name, samples=100, kelvin=5500.0)},
        sky=Sky(kolmogorov=True),
    )
    nm = np.linspace(402, 698, 60)
    shift = np.array([lens.colour_shift_um(c) for c in nm])
    rows = np.vstack([np.ones(60), colour_terms(nm * 1e-3)]).T
    zero, *colour = np.linalg.lstsq(rows, shift, rcond=None)[0]
    telescope = Known(focal_ratio=6.0, pixel_um=scene.sensor.pixel_um)
    px = telescope.blur_px_per_um
    plate = scene.filters[name]
    hue = (np.array(plate.wavelengths_nm) - 550) / 150
    bend, slope, _ = np.polyfit(hue, np.log(plate.weights), 2)
    middle = scene.focus_shift_um(name, 460.0)
    outward = middle + np.array([-250.0, 0.0, 400.0])
    glass = plate.shift_um() + plate.spherical_um(6.0) / 2
    blurs = [star_blur(scene, name, o) for o in outward]
    half = np.array([half_flux_radius_px(blur, pixels=False) for blur in blurs])
    bounds = half[:, None] * (1.5, 3.0, 4.5)
    band = USUAL_BANDS[name]
    for seen, known in (
        (None, half),
        (
            Apertures(*bounds.T, np.zeros(3)),
            [bounded_radius_px(b, tuple(k)) for b, k in zip(blurs, bounds, strict=True)],
        ),
    ):
        stars = prepare_stars(
            [(band.wavelength_nm, band.width_nm)],
            np.zeros(3, int),
            telescope=telescope,
            largest_blur_px=60.0,
            finest_seeing_px=1.5,
            seen=seen,
        )
        model = StarState(
            blur_px=(outward - glass - zero) * px,
            seeing_px=np.full(3, scene.seeing_um / scene.sensor.pixel_um),
            diffraction_px_per_um=telescope.diffraction_px_per_um,
            colour_px=np.array(colour) * px,
            spectrum=np.array([slope, bend, 0.0]),
        )
        assert_allclose(star_radii(stars, model), known, rtol=0.003)


def test_colours_far_beyond_the_blur_expected_are_as_far_out_of_focus_as_they_are():
    """A fast achromat's blue lies tens of waves out: against a table made for all of them."""
    px = TELESCOPE.blur_px_per_um
    far = state(
        blur_px=np.tile([-8.0, -2.0, 0.3, 2.5, 9.0], 3),
        colour_px=np.array([180.0, 3860.0, -360.0]) * px,
        spread_px=0.0,
    )
    ample = prepare_stars(
        BANDS, WHICH, telescope=TELESCOPE, largest_blur_px=90.0, finest_seeing_px=1.2, seen=SEEN
    )
    assert ample.table.most > 2 * STARS.table.most
    assert_allclose(star_radii(STARS, far), star_radii(ample, far), rtol=3e-3)


def test_seeing_alone_has_the_half_light_radius_of_turbulence():
    """Kolmogorov seeing: 0.568533 FWHM (GalSim, references section 3); waves far too small."""
    telescope = Known(focal_ratio=0.2, pixel_um=3.76)
    stars = prepare_stars(
        [(656.3, 0.0)],
        np.zeros(1, int),
        telescope=telescope,
        largest_blur_px=0.1,
        finest_seeing_px=2,
    )
    plain = StarState(
        blur_px=np.zeros(1),
        seeing_px=np.full(1, 2.4),
        diffraction_px_per_um=telescope.diffraction_px_per_um,
    )
    # The seeing goes as lambda^-0.2.
    known = 0.568533 * 2.4 * (656.3 / 550) ** -0.2
    assert_allclose(star_sizes(stars, plain)[optics.RADIUS], known, rtol=6e-3)


def test_far_from_focus_the_radius_grows_as_geometry_says():
    """Slope sqrt(1 + e^2) / (2 sqrt 2 N p), handbook geometry; design of the pupil alone."""
    far = replace(state(), colour_px=np.zeros(3), spherical=0.0, spread_px=0.0)
    um = np.array([900.0, 1000.0])
    stars = prepare_stars(
        [(550.0, 0.0)],
        np.zeros(2, int),
        telescope=TELESCOPE,
        largest_blur_px=24,
        finest_seeing_px=2,
    )
    far = replace(
        far, blur_px=um * TELESCOPE.blur_px_per_um, seeing_px=np.full(2, 2.4), tint=np.zeros(1)
    )
    rise = np.diff(star_sizes(stars, far)[optics.RADIUS]) / 100
    assert_allclose(rise, wing_slope_px_per_um(6.0, 3.76, 0.2), rtol=0.03)


@pytest.mark.parametrize(("fraction", "known"), [(0.5, 0.534832), (0.8, 0.89694)])
def test_a_perfect_star_holds_the_shares_of_the_airy_pattern(fraction, known):
    """Root of J0^2 + J1^2 = 1 - share, in lambda N (references 2.4)."""
    telescope = Known(focal_ratio=10.0, pixel_um=1.0)
    stars = prepare_stars(
        [(500.0, 0.0)],
        np.zeros(1, int),
        telescope=telescope,
        largest_blur_px=1,
        finest_seeing_px=0.5,
    )
    bare = StarState(blur_px=np.zeros(1), seeing_px=np.full(1, 0.02), diffraction_px_per_um=10.0)
    assert_allclose(
        star_sizes(stars, bare, fraction=fraction)[optics.RADIUS], known * 5.0, rtol=2e-3
    )


@pytest.mark.parametrize("glasses", [("N-BK7", "F2"), ("S-FPL53", "N-ZK7")])
def test_three_terms_hold_the_colour_of_lenses_of_catalogue_glass(glasses):
    """Sellmeier constants of the makers' data sheets, thin lenses (simulate.lens)."""
    lens = Lens(focal_length_mm=600.0, aperture_mm=100.0, glasses=glasses)
    nm = np.linspace(405, 690, 60)
    shift = np.array([lens.colour_shift_um(c) for c in nm])
    terms = np.vstack([np.ones(60), colour_terms(nm * 1e-3)]).T
    left = shift - terms @ np.linalg.lstsq(terms, shift, rcond=None)[0]
    assert np.std(left) < 0.001 * np.ptp(shift) + 1.0
