"""The colour report on telescopes whose colour is known."""

from collections import Counter

import numpy as np
import pytest
from colour_nights import compared, judge, setup_of, telescope
from sweep_nights import answered_fit, curve_set

from starsize import compare_sweeps
from starsize.estimate import Estimate
from starsize.setup import FilterGlass, Setup
from starsize.simulate.colour_night import COLOUR_NIGHTS, UM_PER_STEP, ColourNight
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
    # The whole shift table is recovered by the curve, to 3 % of its range.
    at = np.interp(list(nm.values()), found.curve_wavelength_nm, found.curve_shift_steps)
    assert np.max(np.abs(at - at[3] - np.array(list(offsets.values())))) < 0.03 * 320
    # (F + C) / 2 - d of this design is f/2797; the smooth curve meets it to its own form.
    assert found.secondary_spectrum == pytest.approx(2797, rel=0.05)


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
    scene = COLOUR_NIGHTS["achromat, colour camera"]
    found = exact(scene.night.offsets, setup_of(scene), colour=False)
    assert (found.verdict, found.cause) == ("apart", "unknown")
    assert "state the thickness of the filters" in found.cause_reason
    assert exact(scene.night.offsets, setup_of(scene), colour=True).cause == "telescope"


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


def test_the_parts_of_the_set_have_their_own_verdicts():
    groups = dict(
        compared(
            COLOUR_NIGHTS["good refractor, OIII 1 mm thicker"], np.random.default_rng(2)
        ).colour.groups
    )
    assert groups == {"R, G, B": "together", "L's whole band": "together"}
    groups = dict(
        compared(COLOUR_NIGHTS["achromat, seven filters"], np.random.default_rng(2)).colour.groups
    )
    assert groups == {"R, G, B": "apart", "L's whole band": "apart"}


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
