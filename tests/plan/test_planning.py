from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from starsize.comparison.compared import LensReport
from starsize.errors import InputError
from starsize.estimate import Estimate
from starsize.filters import Band
from starsize.optics.star import colour_terms
from starsize.plan import Scouted, plan_capture
from starsize.plan.equipment import colour_of
from starsize.plan.positions import LONGEST_S, SHORTEST_S, WANTED_STARS, Light, order_of_sweeps
from starsize.setup import Camera, FilterGlass, Focuser, Setup, Telescope
from starsize.simulate.lens import Lens

THREE = Setup(
    telescope=Telescope(focal_length_mm=480.0, aperture_mm=87.0),
    focuser=Focuser(um_per_step=4.0),
)


@pytest.fixture(scope="module")
def plan():
    return plan_capture(THREE, position_steps=12000)


def names(plan):
    return {one.name for one in plan.assumed}


def test_three_numbers_are_enough_and_all_else_is_marked_as_assumed(plan):
    assert plan.reached
    told = {"pixel", "seeing", "filters", "play, at most", "cooling", "colour of the lens"}
    assert told <= names(plan)
    assert "position of best focus" not in names(plan)


def test_a_mirror_has_no_colour_to_assume():
    telescope = replace(THREE.telescope, obstruction_mm=25.0)
    mirror = plan_capture(replace(THREE, telescope=telescope), position_steps=12000)
    assert "colour of the lens" not in names(mirror)


def test_every_sweep_goes_up_through_the_expected_focus(plan):
    for sweep in plan.sweeps:
        positions = [one.position_steps for one in sweep]
        assert positions == sorted(positions)
        assert positions[0] < 12000 < positions[-1]


def test_the_ends_are_three_to_four_times_as_large_as_in_focus(plan):
    """Geometry: a disc of radius dz / (2 N p) has half its light within 1 / sqrt(2) of that."""
    ratio, away_um = 480 / 87, 4.0 * max(plan.away_steps)
    disc = away_um / (2 * ratio * 3.76) / np.sqrt(2)
    assert 3 <= np.hypot(plan.hfr_px, disc) / plan.hfr_px <= 4.5


def test_the_reference_is_first_last_and_between(plan):
    order = [sweep[0].filter for sweep in plan.sweeps]
    assert order[0] == order[-1] == plan.reference == "L"
    assert set(order) == {"L", "R", "G", "B"}


def test_the_run_in_is_longer_than_the_play():
    stated = replace(THREE, focuser=replace(THREE.focuser, backlash_steps=60.0))
    told = plan_capture(stated, position_steps=12000)
    assert told.run_in_steps > 60
    assert "play, at most" not in names(told)


def test_all_sweeps_are_alike_and_evenly_spaced(plan):
    assert set(np.diff(plan.away_steps)) == {plan.away_steps[1] - plan.away_steps[0]}
    for sweep in plan.sweeps:
        assert [one.position_steps - 12000 for one in sweep] == list(plan.away_steps)


@pytest.mark.parametrize("sigma_steps", [1.0, 0.5])
def test_a_focuser_that_hardly_scatters_can_be_planned_for(sigma_steps):
    """An hour more of it is many sweeps; cooling and time are then one and the same."""
    exact = replace(THREE, focuser=replace(THREE.focuser, repeatability_steps=0.05))
    asked = {"position_steps": 12000, "sigma_steps": sigma_steps}
    assert plan_capture(exact, filters=("L", "R"), **asked).reached


def test_no_more_positions_than_the_uncertainty_needs(plan):
    exact = replace(THREE, focuser=replace(THREE.focuser, repeatability_steps=0.2))
    asked = {"filters": ("L", "R"), "position_steps": 12000}
    assert len(plan.away_steps) == 7
    assert len(plan_capture(exact, **asked, sigma_steps=1.0).away_steps) == 7
    assert len(plan_capture(exact, **asked, sigma_steps=0.28).away_steps) > 7


def test_parts_of_an_uncertainty_add_in_squares(plan):
    for name, one in plan.offsets.items():
        if name != "L":
            parts = one.frames**2 + one.focuser**2 + one.temperature**2
            assert np.isclose(one.sigma**2, parts)


def test_a_smaller_uncertainty_takes_longer_and_is_kept(plan):
    fine = plan_capture(THREE, position_steps=12000, sigma_steps=0.8)
    assert fine.reached
    assert max(one.sigma for one in fine.offsets.values()) <= 0.8
    assert fine.duration_s > plan.duration_s


def test_what_cannot_be_reached_is_said():
    assert not plan_capture(THREE, position_steps=12000, sigma_steps=0.01).reached


def test_an_uncertainty_in_zones_is_that_of_the_smallest_zone(plan):
    other = plan_capture(THREE, position_steps=12000, sigma_zones=0.25)
    assert np.isclose(other.wanted_sigma_steps, 0.25 * min(plan.zone_steps.values()))


def test_zones_are_those_of_the_rule(plan):
    # 2 lambda N^2 (Born & Wolf, sec. 8.8 -- from memory) of 550 nm at f/5.52, 4 um a step.
    assert np.isclose(plan.zone_steps["L"], 2 * 0.55 * (480 / 87) ** 2 / 4, rtol=1e-3)


def test_more_is_never_worse(plan):
    assert {one.what for one in plan.more} == {"frame", "sweep", "hour"}
    assert all(one.after_steps <= 1.01 * one.before_steps for one in plan.more)
    hour = next(one for one in plan.more if one.what == "hour")
    assert hour.after_steps < 0.6 * hour.before_steps


@pytest.mark.parametrize(
    ("setup", "said"),
    [
        (Setup(), "focal_length_mm under .telescope. and aperture_mm .* and um_per_step"),
        (replace(THREE, focuser=Focuser()), "um_per_step under .focuser.*papers"),
        (replace(THREE, camera=Camera(bayer="RGGB")), "colour camera"),
        (replace(THREE, focuser=Focuser(um_per_step=200.0)), "too coarse"),
        (replace(THREE, filters={"L": FilterGlass(), "Odd": FilterGlass()}), "wavelength of .*Odd"),
    ],
)
def test_what_lacks_is_named_in_one_line(setup, said):
    with pytest.raises(InputError, match=said):
        plan_capture(setup, position_steps=1000)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"filters": ("L",)}, "two filters"),
        ({"filters": ("L", "R"), "reference": "G"}, "'G' is not among"),
        ({"hfr_px": 1.5}, "pixel_um"),
    ],
)
def test_what_is_asked_wrongly_is_said(asked, said):
    with pytest.raises(InputError, match=said):
        plan_capture(THREE, **asked)


def test_stars_smaller_than_diffraction_are_refused():
    known = replace(THREE, camera=Camera(pixel_um=3.76))
    with pytest.raises(InputError, match=r"at least .* --hfr"):
        plan_capture(known, hfr_px=0.2)


def test_an_earlier_result_puts_each_filter_where_it_focused():
    told = Scouted(centre_steps={"": 5000.0, "L": 5000.0, "R": 5030.0})
    planned = plan_capture(THREE, filters=("L", "R", "G"), told=told)
    assert planned.centre_steps == {"L": 5000, "R": 5030, "G": 5000}
    moved = plan_capture(THREE, filters=("L", "R"), told=told, position_steps=5100)
    assert moved.centre_steps == {"L": 5100, "R": 5130}


def test_the_colour_of_an_achromat_widens_what_a_plan_promises():
    known = replace(THREE, camera=Camera(pixel_um=3.76))
    told = Scouted(floor_px=4.0, colour_um=(0.0, 3000.0, 0.0))
    plain = plan_capture(known, filters=("L", "B"), position_steps=0, hfr_px=4.0)
    planned = plan_capture(known, filters=("L", "B"), position_steps=0, told=told)
    assert planned.offsets["B"].frames > 1.2 * plain.offsets["B"].frames
    assert "colour of the lens" in names(plain)
    assert "colour of the lens" not in names(planned)


def test_a_result_tells_the_colour_of_its_lens():
    """N-BK7 and F2, thin, 600 mm: the refractive indices published by the glass maker."""
    lens = Lens(focal_length_mm=600.0, glasses=("N-BK7", "F2"))
    wavelength = np.linspace(420.0, 680.0, 27)
    shift = np.array([lens.colour_shift_um(w) - lens.colour_shift_um(550.0) for w in wavelength])
    report = LensReport(
        wavelength_nm=wavelength,
        shift_um=shift,
        sigma_um=0 * shift,
        secondary_um=None,
        spherical_waves=Estimate(0.0),
        filters=(),
    )
    found = np.array(colour_of(report)) @ colour_terms(wavelength * 1e-3)
    assert np.abs(found - shift).max() < 0.01 * np.ptp(shift)
    assert colour_of(None) is None


def test_test_frames_set_floor_and_exposures():
    camera = replace(THREE, camera=Camera(pixel_um=3.76))
    few = Light(light_nm_s=900.0, stars=10, noise_in_it=0.02)
    planned = plan_capture(
        camera, filters=("L", "R"), told=Scouted(floor_px=2.0, light=few), position_steps=0
    )
    assert planned.hfr_px == 2.0
    assert planned.exposures[0].exposure_s > SHORTEST_S
    assert {"seeing", "stars in 3 s through 300 nm"}.isdisjoint(names(planned))


def test_exposures_follow_the_light():
    light = Light(light_nm_s=900.0, stars=WANTED_STARS, noise_in_it=0.01)
    assert light.exposure_s(300.0) == 3
    assert light.exposure_s(30.0) == 30
    assert light.exposure_s(1e5) == SHORTEST_S
    assert light.exposure_s(1.0) == LONGEST_S
    assert light.stars_in(900.0) == WANTED_STARS
    assert light.noise(90.0) > light.noise(900.0)


def test_a_filter_that_shows_few_stars_is_named():
    known = replace(THREE, camera=Camera(pixel_um=3.76))
    dark = Light(light_nm_s=900.0, stars=3, noise_in_it=0.02)
    planned = plan_capture(
        known, filters=("L", "OIII"), told=Scouted(floor_px=1.5, light=dark), position_steps=0
    )
    assert set(planned.few_stars) == {"OIII"}


def test_every_second_round_goes_back():
    order = order_of_sweeps("L", ("R", "G", "B", "Ha"), rounds=2, between=2)
    assert order == ("L", "R", "G", "L", "B", "Ha", "L", "Ha", "B", "L", "G", "R", "L")
    assert all(a != b for a, b in pairwise(order))


def test_a_band_of_which_only_the_wavelength_is_known_is_taken_as_narrow():
    known = replace(THREE, filters={"L": FilterGlass(), "X": FilterGlass(wavelength_nm=600.0)})
    assert known.band("X") == Band(600.0, 0.0)
    assert "bandwidth of X" in names(plan_capture(known, position_steps=0))
