"""The tabulated star against closed forms and against the drawn telescope."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves.fitted import COLOUR, share_radius
from starsize.night.course import prepare_course
from starsize.night.learn import learn_shape
from starsize.night.model import DEFOCUS_ZONES, PRIORS
from starsize.night.observed import Exposure
from starsize.night.telescope import _sharpest, star_table
from starsize.simulate.long_night_points import zone_steps

from .nights import FILTERS, swept


def gaussian_star(size):
    """A star of vanishing diffraction under Gaussian air."""
    return (0.0, 550.0, 0.0, size, 1.0, 0.0, 3.0, 0.0, 0.0, 0.0, 2.0, *(0.0,) * 6)


def test_the_shape_of_a_gaussian_star_is_its_closed_form():
    """1 - exp(-r^2 / 2 s^2) holds p at r = s sqrt(-2 ln(1 - p)): r80 / r50 = sqrt(ln 5 / ln 2)."""
    seeing = np.array([3.0])
    half = share_radius(gaussian_star(0.2), np.zeros(1), seeing)
    large = share_radius(gaussian_star(0.2), np.zeros(1), seeing, fraction=0.8, start_px=1.5 * half)
    assert_allclose(large / half, np.sqrt(np.log(5) / np.log(2)), rtol=5e-3)


def test_defocus_and_seeing_change_the_shape_differently(equipment):
    """What the whole model stands on; the drawn star has it too (tests/simulate)."""
    table = star_table(equipment, "L", np.array([5 / 3]))
    grid = table.log_seeing
    focus = DEFOCUS_ZONES.size // 2
    at = int(np.argmin(np.abs(np.exp(grid) - 1.5)))
    twice = int(np.argmin(np.abs(np.exp(grid) - 3.0)))
    by_seeing = np.ptp(table.log_shape[0, focus, [at, twice]])
    by_defocus = np.ptp(table.log_shape[0, [focus, focus + 15], at])
    assert by_defocus > 2 * by_seeing


@pytest.mark.parametrize("zones", [-2.4, 0.0, 3.0])
def test_the_radius_gives_the_seeing_back(equipment, zones):
    air = 1.62
    table = star_table(equipment, "L", np.array([air]))
    blur = np.array([zones * equipment.zone_px])
    radius = share_radius(equipment.shapes["L"], blur, np.array([2.2]), air=air)
    u = table.at_radius(float(np.log(radius[0])))[0]
    at = int(np.argmin(np.abs(DEFOCUS_ZONES - zones)))
    assert_allclose(np.exp(u[0, at]), 2.2, rtol=0.02)


def misses(table, which, name, places, *, seeing=1.0):
    """Drawn ln shape minus the model's at some defoci in zones."""
    air = which.air.value if which.air.is_known else 1.7
    star = star_table(which, name, np.array([air]))
    found = []
    for place in places:
        at = np.array([table.best_steps[name] + zone_steps(table) * place])
        row = table.radii_px(name, at, np.full(1, seeing))[0]
        shape = star.at_radius(float(np.log(row[1])))[2][0]
        found.append(np.log(row[2] / row[1]) - np.interp(place, DEFOCUS_ZONES, shape))
    return np.array(found)


def coloured(equipment, colour_px):
    """The telescope with another colour of its lens."""
    shapes = {name: (*shape[:COLOUR], *colour_px) for name, shape in equipment.shapes.items()}
    return replace(equipment, shapes=shapes)


def test_a_colour_that_curves_have_made_up_parts_the_sides_of_focus_no_longer(table, equipment):
    """The drawn triplet has next to none (secondary term -40 um, `Priors.colour_um`: -0.06 px)."""
    known = replace(equipment, zone_steps=zone_steps(table))
    fitted = coloured(known, (0.3, -5.2, -0.3))
    learnt = learn_shape(fitted, swept(table, FILTERS, shape_sigma=0.001))
    assert not any(learnt.shapes["B"][COLOUR:])
    # In better seeing than that of the sweeps both sides are missed alike.
    out, inside = misses(table, learnt, "B", (1.0, -1.0), seeing=0.8)
    assert abs(out - inside) < 0.012


def test_the_colour_that_a_lens_has_is_kept(equipment):
    """Truth is a star of the model's own, a tenth of an achromat's colour (`Priors.colour_um`)."""
    lens = coloured(replace(equipment, zone_steps=10.0), (0.0, 6.0, 0.0))
    frames = []
    for name, shape in lens.shapes.items():
        places = np.linspace(-4, 4, 11)
        zero, seeing = _sharpest((*shape[:6], 2.0, *shape[7:]), lens.zone_px), np.full(11, 2.0)
        blur = zero + lens.zone_px * places
        half = share_radius(shape, blur, seeing)
        large = share_radius(shape, blur, seeing, fraction=0.8, start_px=1.7 * half)
        frames += [
            Exposure(
                file="",
                filter=name,
                position_steps=10.0 * place,
                hfr_px=one,
                shape=other / one,
                shape_sigma=0.004,
            )
            for place, one, other in zip(places, half, large, strict=True)
        ]
    assert learn_shape(lens, frames).shapes["B"][COLOUR:] == (0.0, 6.0, 0.0)
    assert learn_shape(lens, ()).shapes["B"][COLOUR:] == (0.0, 6.0, 0.0)


def test_what_the_model_lacks_is_learnt_from_the_shapes_of_sweeps(table, equipment):
    """Truth is the simulator's star, whose seeing is a Moffat's and whose lens has colours."""
    known = replace(equipment, zone_steps=zone_steps(table))
    learnt = learn_shape(known, swept(table, ["G"], shape_sigma=0.001))

    def rms(which):
        # Between the places of the sweep, under the same air.
        return np.sqrt(np.mean(misses(table, which, "G", (-2.0, -1.2, 0.4, 1.2, 2.8)) ** 2))

    assert rms(learnt) < 0.004 < rms(known)
    # They are learnt under the seeing that the star of the model needs for their radii.
    drawn = np.log(table.scene.seeing_um / table.scene.sensor.pixel_um)
    assert learnt.swept_seeing["G"] == pytest.approx(drawn, abs=0.1)


def test_a_star_that_is_the_models_is_doubted_less_under_other_seeing(table, equipment):
    """Shapes of the model's own star with noise, and the same that lack a wave over defocus."""
    known, rng = replace(equipment, zone_steps=zone_steps(table)), np.random.default_rng(5)
    star, frames, odd = star_table(known, "G", np.array([1.7])), [], []
    for one in swept(table, ["G"], shape_sigma=0.004):
        zones = one.position_steps / known.zone_steps
        shape = np.interp(zones, DEFOCUS_ZONES, star.at_radius(np.log(one.hfr_px))[2][0])
        shape += 0.003 * rng.standard_normal()
        frames.append(replace(one, shape=float(np.exp(shape))))
        odd.append(replace(one, shape=float(np.exp(shape + 0.03 * np.sin(zones)))))
    doubts = [learn_shape(known, each).lack_by_seeing for each in (frames, odd)]
    assert doubts[0] < PRIORS.lack_by_seeing < doubts[1]


def test_a_filter_whose_radii_ask_for_other_air_than_its_sweep_had_is_not_learnt(table, equipment):
    shapes = dict(equipment.shapes)
    shapes["G"] = (*shapes["G"][:6], 2.5, *shapes["G"][7:])
    known = replace(equipment, zone_steps=zone_steps(table), shapes=shapes)
    frames = swept(table, ("L", "G"), shape_sigma=0.001)
    learnt = learn_shape(known, frames)
    assert (list(learnt.shape_bias), learnt.unlike) == (["L"], ("G",))
    assert prepare_course(frames, learnt).untold == ("G",)
