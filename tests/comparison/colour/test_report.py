"""The colour report on telescopes whose colour is known."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from colour_nights import compared, judge, setup_of, telescope
from sweep_nights import answered_fit, curve_set, fits_of

from starsize import compare_sweeps
from starsize.curves.fitted import LensColour
from starsize.estimate import Estimate
from starsize.setup import FilterGlass, Setup
from starsize.simulate.colour_night import (
    COLOUR_NIGHTS,
    UM_PER_STEP,
    ColourNight,
    doublet_offsets,
)
from starsize.simulate.sweep_night import SweepNight


@pytest.mark.parametrize("name", COLOUR_NIGHTS)
def test_the_verdict_is_never_wrong_and_seldom_open(name):
    # 24 of the 500 nights of scripts/offset_coverage.py.
    said = Counter(judge(COLOUR_NIGHTS[name], np.random.default_rng([7, i]))[0] for i in range(24))
    assert said["wrong"] == 0
    assert said["cannot tell"] <= 1


@pytest.mark.parametrize("name", [n for n, s in COLOUR_NIGHTS.items() if s.odd])
def test_the_extra_glass_is_found_to_0_05_mm(name):
    scene = COLOUR_NIGHTS[name]
    nights = [compared(scene, np.random.default_rng(i)).colour.odd_filters for i in range(20)]
    glass = [odd.extra_glass_mm for (odd,) in nights]
    miss = np.array([one.value for one in glass]) - scene.extra_glass_mm
    sigma = np.array([one.sigma for one in glass])
    assert np.sqrt(np.mean(miss**2)) < 0.05
    assert np.median(sigma) < 0.05
    # What lenses bend beyond a smooth curve is in sigma and not in these scenes.
    assert 0.3 < np.sqrt(np.mean((miss / sigma) ** 2)) < 1.3


def test_the_sentence_says_how_far_out_and_what_glass_would_do_it():
    reason = compared(COLOUR_NIGHTS["good refractor, OIII 1 mm thicker"], np.random.default_rng(1))
    assert reason.colour.cause_reason.startswith("OIII focuses 3")
    assert "um further out than its colour predicts, as " in reason.colour.cause_reason
    assert reason.colour.cause_reason.endswith("mm more glass would do")


def exact(offsets, setup, sigma=0.3, colour=False):
    """One sweep of each colour exactly at its place."""
    fits = [
        answered_fit(
            10_000.0 + o,
            sigma,
            id=f"colour-1-{f}" if colour else f"{f}-1",
            filter=f,
            temperature_degC=10.0,
        )
        for f, o in offsets.items()
    ]
    return compare_sweeps(curve_set(fits), setup=setup).colour


def exact_set(draws, setup, lens):
    """Drawn sweeps as a comparison takes them, with what the fit would say of the lens."""
    return compare_sweeps(replace(curve_set(fits_of(draws)), lens=lens), setup=setup).colour


# Back focus minus d in mm of published prescriptions (M. Laikin, Lens Design, 4th ed. 2007, p. 44;
# a catalogue singlet), traced again by two codes; seen through narrow filters at these lines.
LINES = {"g": 435.8343, "F": 486.1327, "e": 546.074, "d": 587.5618, "C": 656.2725}
DOUBLET_MM = {"g": 0.065829, "F": 0.001583, "e": -0.010275, "d": 0.0, "C": 0.032744}
DOUBLET_NM = {"C'": (643.8469, 0.025840), "SII": (672.4, 0.042187), "OIII": (500.684, -0.005614)}


def narrow(names_nm, focal_length_mm, aperture_mm):
    base = telescope(focal_length_mm, aperture_mm)
    glass = {n: FilterGlass(wavelength_nm=nm, bandwidth_nm=5.0) for n, nm in names_nm.items()}
    return Setup(telescope=base.telescope, focuser=base.focuser, filters=glass)


def test_a_published_doublet_of_800_mm_is_the_telescopes_own_colour():
    nm = LINES | {n: w for n, (w, _) in DOUBLET_NM.items()}
    mm = DOUBLET_MM | {n: s for n, (_, s) in DOUBLET_NM.items()}
    scale = 800 / 48.0107  # the prescription scaled to a telescope, still f/8
    offsets = {n: 1e3 * s * scale / UM_PER_STEP for n, s in mm.items()}
    found = exact(offsets, narrow(nm, 800.0, 100.0))
    assert (found.verdict, found.cause) == ("apart", "telescope")
    assert found.odd_filters == ()


def test_the_same_doublet_at_its_own_size_brings_all_colours_together_but_violet():
    # f/8 of 48 mm: the zone at 550 nm is 70 um, the shifts from F to C at most 43 um.
    names = ("F", "e", "d", "C")
    offsets = {n: 1e3 * DOUBLET_MM[n] / UM_PER_STEP for n in names}
    setup = narrow({n: LINES[n] for n in names}, 48.0107, 6.0)
    assert exact(offsets, setup).verdict == "together"


def test_a_singlet_is_far_apart():
    # Edmund 49-847 traced: back focus F -0.6390, C +0.2675 mm about 21.4754 mm at d; scaled to f/8.
    scale = 400 / 21.4754
    mm = {"F": -0.6390, "d": 0.0, "C": 0.2675}
    offsets = {n: 1e3 * s * scale / UM_PER_STEP for n, s in mm.items()}
    found = exact(offsets, narrow({n: LINES[n] for n in mm}, 400.0, 50.0), colour=False)
    assert found.verdict == "apart"
    assert found.cause in ("telescope", "unknown")  # three filters cannot exclude odd glass


def test_three_filters_of_unknown_glass_leave_the_cause_open():
    # One millimetre of glass in OIII, or a lens with as much colour: both would do.
    found = exact({"Ha": 0.0, "SII": 1.0, "OIII": 85.0}, telescope(500.0, 91.0))
    assert (found.verdict, found.cause) == ("apart", "unknown")
    assert "state the thickness of the filters" in found.cause_reason
    assert [odd.filter for odd in found.odd_filters] == ["OIII"]


def test_two_filters_never_tell_glass_from_colour():
    found = exact({"Ha": 0.0, "OIII": 60.0}, telescope(500.0, 91.0))
    assert (found.verdict, found.cause) == ("apart", "unknown")


def test_two_of_three_filters_may_be_the_thick_ones():
    found = exact({"Ha": 0.0, "SII": 42.0, "OIII": 70.0}, telescope(500.0, 91.0))
    assert (found.verdict, found.cause) == ("apart", "unknown")


def test_of_two_filters_of_one_colour_either_may_be_the_thick_one():
    # No lens parts 650 and 651 nm by 240 um.
    found = exact({"X": 0.0, "Y": 60.0}, narrow({"X": 650.0, "Y": 651.0}, 500.0, 91.0))
    assert (found.cause, found.odd_filters) == ("glass", ())
    assert "which cannot be told: " in found.cause_reason
    assert {"X", "Y"} <= set(found.cause_reason.split(": ")[1].split(" or "))


def test_foci_that_jump_from_filter_to_filter_are_explained_by_nothing():
    at = {f"N{k}": 420.0 + 28 * k for k in range(10)}
    offsets = {name: 60.0 * (-1) ** k for k, name in enumerate(at)}
    found = exact(offsets, narrow(at, 500.0, 91.0))
    assert (found.cause, found.odd_filters) == ("unknown", ())
    assert found.cause_reason.startswith("neither a smooth curve")


def test_a_colour_camera_has_one_glass():
    scene = COLOUR_NIGHTS["achromat, colour camera"]
    assert exact(scene.night.offsets, setup_of(scene), colour=True).cause == "telescope"


def test_an_achromat_with_a_thick_filter_is_both():
    scene = COLOUR_NIGHTS["achromat, seven filters"]
    offsets = {**scene.night.offsets, "Ha": scene.night.offsets["Ha"] + 80.0}
    found = exact(offsets, setup_of(scene))
    assert (found.cause, [odd.filter for odd in found.odd_filters]) == ("both", ["Ha"])


def test_glass_that_may_hide_in_the_lens_own_colour_leaves_it_open():
    names = ("L", "R", "G", "B", "Ha", "SII", "OIII")
    offsets = doublet_offsets("N-BK7", "SF2", names, focal_length_mm=800.0)
    found = exact({**offsets, "B": offsets["B"] - 85.0}, telescope(800.0, 100.0))
    assert (found.cause, found.odd_filters) == ("unknown", ())
    assert found.cause_reason.startswith("the telescope's own colour alone keeps these filters")


def test_an_achromat_with_thick_filters_that_cannot_be_named_is_both():
    scene = COLOUR_NIGHTS["achromat, seven filters"]
    more = {"SII": 42.0, "OIII": 68.0}
    offsets = {name: at + more.get(name, 0.0) for name, at in scene.night.offsets.items()}
    found = exact(offsets, setup_of(scene), sigma=2.0)
    assert (found.cause, found.odd_filters) == ("both", ())
    assert "SII, OIII" in found.cause_reason


def test_a_colour_camera_knows_its_colours_better_than_its_focuser():
    scene = ColourNight(
        focal_length_mm=500.0,
        aperture_mm=91.0,
        night=SweepNight(offsets={"R": 0.0, "G": 1.0, "B": 2.0}, fit_sigma=0.3, scatter=15.0),
        verdict="together",
        colour_camera=True,
    )
    assert judge(scene, np.random.default_rng(0))[0] == "right"
    points = compared(scene, np.random.default_rng(0)).colour.points
    assert all(p.shift_steps.sigma < 1 for p in points)


def test_growth_at_the_compromise_is_that_of_the_filters_own_curve():
    found = exact({"L": 0.0, "R": 40.0}, telescope(500.0, 91.0))
    left, right = found.points
    middle = found.compromise_steps - 10_000
    assert 0 < middle < 40
    # radius^2 = floor^2 + (slope x)^2 with floor 2 px and 0.05 px per step.
    assert left.growth == pytest.approx(np.hypot(1, 0.05 * middle / 2), rel=1e-6)
    assert right.growth == pytest.approx(np.hypot(1, 0.05 * (40 - middle) / 2), rel=1e-6)


@pytest.mark.parametrize(
    ("name", "second_steps", "word"),
    # Over L the second term spreads by 0.7 of its factor; two zones of L are 17 and 20 steps.
    [
        ("good refractor, OIII 1 mm thicker", 5.0, "together"),
        ("achromat, seven filters", 900.0, "apart"),
    ],
)
def test_the_parts_of_the_set_have_their_own_verdicts(name, second_steps, word):
    scene = COLOUR_NIGHTS[name]
    draws = scene.draw(np.random.default_rng(2))
    assert dict(exact_set(draws, setup_of(scene), None).groups) == {
        "R, G, B": word,
        "L's whole band": "cannot tell",
    }
    lens = LensColour(
        span_nm=(400.0, 700.0),
        terms_steps=np.array([0.0, second_steps, 0.0]),
        covariance_steps2=np.eye(3),
        spherical_waves=Estimate(0.0, 0.1),
    )
    found = exact_set(draws, setup_of(scene), lens)
    assert dict(found.groups) == {"R, G, B": word, "L's whole band": word}


def test_the_secondary_spectrum_is_a_part_of_the_focal_length():
    scene = COLOUR_NIGHTS["achromat, seven filters"]
    lens = LensColour(
        span_nm=(400.0, 700.0),
        terms_steps=np.array([0.0, 900.0, 0.0]),
        covariance_steps2=np.eye(3),
        spherical_waves=Estimate(0.0, 0.1),
    )
    found = exact_set(scene.draw(np.random.default_rng(2)), setup_of(scene), lens)
    # 600 mm of N-BK7 and F2 have f/2002 (900 steps of 4 um of the second term are about as much).
    v = (550 / np.array([486.1327, 656.2725, 587.5618])) ** 2 - 1
    f, c, d = 900 * (v**2 + 0.2 * (v - 1) * v**3 / (1 + v))
    assert found.secondary_spectrum == pytest.approx(600e3 / (((f + c) / 2 - d) * UM_PER_STEP))
    assert 1500 < found.secondary_spectrum < 2500
    unsure = replace(lens, covariance_steps2=1e6 * np.eye(3))
    drawn = scene.draw(np.random.default_rng(2))
    assert exact_set(drawn, setup_of(scene), unsure).secondary_spectrum is None


def test_what_is_missing_for_a_verdict_is_named():
    offsets = {"L": 0.0, "R": 4.0}
    assert "um_per_step" in exact(offsets, Setup(telescope=telescope(500, 90).telescope)).reason
    assert "focal_length_mm" in exact(offsets, Setup(focuser=telescope(500, 90).focuser)).reason
    assert "only L was measured" in exact({"L": 0.0}, telescope(500, 90)).reason
    unknown = exact({"W": 0.0, "X": 4.0}, telescope(500, 90))
    assert unknown.reason == (
        "the wavelength of W, X is not known: state wavelength_nm in the setup file"
    )
    assert (unknown.verdict, unknown.cause) == ("cannot tell", None)


def test_an_unsure_step_size_makes_the_verdict_unsure():
    fits = [
        answered_fit(10_000.0 + o, 0.2, id=f"{f}-1", filter=f, temperature_degC=10.0)
        for f, o in {"L": 0.0, "R": 10.0}.items()
    ]
    setup = Setup(telescope=telescope(500, 90).telescope)

    def word(sigma):
        size = Estimate(4.0, sigma)
        return compare_sweeps(curve_set(fits), setup=setup, um_per_step=size).colour.verdict

    assert word(0.01) == "together"
    assert word(1.0) == "cannot tell"
