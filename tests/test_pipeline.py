"""Folder in, result out: what the steps in between decide for the person."""

from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import starsize
from starsize.comparison import Comparison, OffsetRow
from starsize.comparison.compared import ColourReport, FocuserHealth, TemperatureTerm
from starsize.curves import fit_curves, focus_curve
from starsize.errors import InputError
from starsize.estimate import Finding
from starsize.frames import FrameFacts, InputFile, Sweep
from starsize.pipeline import (
    compare_measured,
    find_reference,
    find_step_size,
    measure_offsets,
    nothing_to_measure,
    with_lost_filters,
)
from starsize.reports.stored import load_run
from starsize.setup import Camera, FilterGlass, Setup, Telescope
from starsize.simulate import SCENARIOS, draw_night, simulate_night, write_frame
from starsize.simulate.night import draw_planned
from starsize.tracking.measured import StarTracks


def sweep(name, **facts):
    return Sweep(f"{name}-1", name, (FrameFacts(path=Path("1.fits"), filter=name, **facts),))


TESTDATA = Path(__file__).parents[1] / "testdata"
SWEEPS = [sweep("L"), sweep("Ha"), sweep("V'")]


@pytest.mark.parametrize(
    ("asked", "meant"), [("L", "L"), ("lum", "L"), ("H-alpha", "Ha"), ("V'", "V'"), ("seven", "Ha")]
)
def test_the_reference_may_be_spelled_as_people_do(asked, meant):
    setup = Setup(filters={"Ha": FilterGlass(aliases=("seven",))})
    assert find_reference(asked, SWEEPS, setup=setup) == meant


def test_a_reference_that_was_not_swept_is_told_with_those_that_were():
    with pytest.raises(InputError, match="the reference 'Q' is not among the filters found: L, Ha"):
        find_reference("Q", SWEEPS, setup=Setup())


def test_a_colour_camera_offers_its_colours_as_reference():
    assert find_reference("green", [sweep("L", bayer="RGGB")], setup=Setup()) == "G"


def test_a_filter_whose_frames_are_all_unusable_has_a_refused_row_in_its_place():
    files = [InputFile(Path("1.fits"), FrameFacts(path=Path("1.fits"), filter="R"), "no position")]
    found = with_lost_filters(comparison("L", "G"), files)
    assert [(row.filter, row.status) for row in found.rows] == [
        ("L", "measured"), ("R", "refused"), ("G", "measured"),
    ]  # fmt: skip
    assert found.rows[1].reason == "the only frame cannot be used: no position"
    assert found.rows[1].action == "refocus"


def test_a_folder_without_a_usable_frame_is_told_with_the_commonest_reason():
    files = [InputFile(Path(f"{i}.fits"), reason="cut short" if i else "odd") for i in range(3)]
    assert nothing_to_measure(files).endswith("the commonest reason (2 of 3): cut short")


def test_one_sweep_alone_tells_the_size_of_a_step():
    # f/5 and 4 um pixels: 5 um a step widen the disc by 0.25 px, its half-flux radius by
    # 0.25 / (2 sqrt 2) = 0.0884 px (geometric optics; r50 of a disc is R / sqrt 2).
    position = np.arange(1000.0, 1211.0, 21.0)
    radius = np.hypot(1.5, 0.0884 * (position - 1105.0))
    curves = fit_curves([focus_curve(position, radius, 0.01 * radius)])
    setup = Setup(
        telescope=Telescope(focal_length_mm=500.0, aperture_mm=100.0),
        camera=Camera(pixel_um=4.0),
    )
    step = find_step_size(curves, setup=setup, given=setup)
    assert step.source == "slope"
    assert step.um_per_step.value == pytest.approx(5.0, rel=0.08)


def test_a_sweep_of_another_field_is_compared_and_told_of(tmp_path):
    scenario = SCENARIOS["parfocal_refractor"]
    plan = replace(scenario.plan, order=("L", "R"))
    for seed, name in ((1, "L"), (2, "R")):
        sky = replace(scenario.scene.stars, seed=seed)
        night = simulate_night(replace(scenario.scene, stars=sky), plan, seed=seed)
        for shot in night.shots:
            if shot.shot.filter == name:
                frame = draw_planned(night, shot)
                write_frame(tmp_path / f"{frame.name}.fits", frame.image, cards=frame.cards)
    result = measure_offsets([tmp_path])
    assert [row.status for row in result.comparison.rows] == ["measured", "measured"]
    (told,) = [notice for notice in result.notices if notice.code == "other_field"]
    assert "shows other stars" in told.text
    assert len({m.tracks.pointing for m in result.measured}) == 2


def comparison(*names):
    rows = tuple(
        OffsetRow(filter=n, reference="L", status="measured", sweeps=1, frames=9, stars=5)
        for n in names
    )
    return Comparison(
        reference="L",
        rows=rows,
        filters=names,
        covariance_steps2=np.zeros((len(names), len(names))),
        colour=ColourReport(verdict="cannot tell", reason=""),
        temperature=TemperatureTerm(),
        focuser=FocuserHealth(),
    )


def test_the_steps_follow_one_another_without_a_glance_inside():
    night = TESTDATA / "demo_night"
    paths = sorted(night.glob("evening_*.fits.fz"))[:11]
    sweeps, _ = starsize.find_sweeps(starsize.list_frames(paths))
    measured = starsize.measure_sweeps(sweeps)
    (fit,) = starsize.fit_curves(measured).fits
    assert fit.answered
    position = [f.facts.position_steps for f in measured[0].frames]
    assert starsize.curve_of(measured[0]).position_steps.tolist() == position
    frame = starsize.read_frame(paths[5])
    by_path, by_frame = starsize.measure_frame(paths[5]), starsize.measure_frame(frame)
    assert len(by_path) == len(by_frame) > 20
    assert all(len(repr(one)) < 200 and "\n" not in repr(one) for one in (frame, sweeps[0]))


def test_a_colour_camera_counts_from_green(tmp_path):
    scenario = SCENARIOS["good_colour_camera"]
    night = simulate_night(scenario.scene, scenario.plan, seed=3)
    for image, cards, name in draw_night(night):
        write_frame(tmp_path / f"{name}.fits", image, cards=cards)
    result = measure_offsets([tmp_path])
    assert result.comparison.reference == "G"


def findings_in(thing):
    """Every code without its sentence, however deep."""
    if isinstance(thing, Finding):
        yield thing
    elif isinstance(thing, (tuple, list)):
        for part in thing:
            yield from findings_in(part)
    elif isinstance(thing, dict):
        yield from findings_in(list(thing.values()))
    elif is_dataclass(thing):
        yield from findings_in([getattr(thing, field.name) for field in fields(thing)])


def tracks_of(measured, stars):
    radius = np.tile([frame.radius_px for frame in measured.frames], (stars, 1))
    return StarTracks(
        x_px=np.arange(stars) * 100.0,
        y_px=np.arange(stars) * 100.0,
        radius_px=radius,
        radius_sigma_px=0.05 * radius,
        flags=np.zeros(radius.shape, int),
        identity=np.arange(stars),
    )


@pytest.mark.parametrize("sweeps", [0, 1, 9])
def test_whatever_is_found_or_refused_is_in_words(demo, sweeps):
    run = load_run(demo[1])
    # Two stars, which are too few for the field.
    two = [replace(one, tracks=tracks_of(one, 2)) for one in run.measured[:sweeps]]
    found = compare_measured(two, setup=run.setup)
    assert list(findings_in(found)) == []
    assert found[1].field_reason.startswith("only ") or not sweeps


def test_a_measured_night_is_in_words(demo):
    assert list(findings_in(starsize.load_result(demo[1]))) == []
