"""Result folders of other nights as input: the same sweeps, one adjustment."""

import json
import re

import pytest

from starsize.curves import radius_at
from starsize.errors import InputError
from starsize.pipeline import load_result, measure_offsets
from starsize.reports import write_results


def later(folder, to, *, days, steps):
    """The same night once more, some days later, the focuser's zero elsewhere."""
    document = json.loads((folder / "result.json").read_text("utf-8"))
    for fit in document["curves"]["fits"]:
        fit["best_focus_steps"]["value"] += steps
        fit["points"]["time_mjd"] = [t + days for t in fit["points"]["time_mjd"]]
    to.mkdir()
    (to / "result.json").write_text(json.dumps(document), "utf-8")
    return to


@pytest.fixture(scope="module")
def together(demo, tmp_path_factory):
    others = tmp_path_factory.mktemp("nights")
    more = [later(demo[1], others / f"n{k}", days=3 * k, steps=100 * k) for k in (1, 2)]
    return measure_offsets([demo[1], *more])


def test_a_stored_night_gives_its_own_offsets_again(demo):
    stored = json.loads((demo[1] / "result.json").read_text("utf-8"))
    rows = {row.filter: row for row in measure_offsets([demo[1]]).comparison.rows}
    for row in stored["offsets"]:
        again = rows[row["filter"]]
        assert again.offset_steps == pytest.approx(row["offset_steps"], abs=0.02)
        assert again.sweeps == row["sweeps"]


def test_three_nights_are_known_better_than_one_though_the_zero_moved(demo, together):
    stored = json.loads((demo[1] / "result.json").read_text("utf-8"))
    rows = {row.filter: row for row in together.comparison.rows}
    for row in stored["offsets"]:
        if row["filter"] == "L":
            continue
        assert rows[row["filter"]].offset_steps == pytest.approx(row["offset_steps"], abs=0.5)
        assert rows[row["filter"]].offset_sigma_steps < row["offset_sigma_steps"] / 1.5
        assert rows[row["filter"]].sweeps == 3 * row["sweeps"]


def test_nights_that_were_joined_can_be_joined_again(together, tmp_path):
    write_results(together, tmp_path / "all")
    again = {row.filter: row for row in measure_offsets([tmp_path / "all"]).comparison.rows}
    for row in together.comparison.rows:
        assert again[row.filter].offset_steps == pytest.approx(row.offset_steps, abs=1e-6)


def test_another_focuser_is_refused_in_one_line(demo, tmp_path):
    other = later(demo[1], tmp_path / "other", days=1, steps=0)
    document = json.loads((other / "result.json").read_text("utf-8"))
    document["focuser"]["um_per_step"]["value"] *= 2
    (other / "result.json").write_text(json.dumps(document), "utf-8")
    with pytest.raises(InputError, match="other: its step is 8 um, here it is 4"):
        measure_offsets([demo[1], other])


def test_a_result_read_again_says_the_same_in_lines_of_one_line(demo):
    result = load_result(demo[1])
    stored = json.loads((demo[1] / "result.json").read_text("utf-8"))
    assert result.comparison.reference == "L"
    moves = {row.filter: row.move_steps for row in result.comparison.rows}
    assert moves == {row["filter"]: row["move_steps"] for row in stored["offsets"]}
    assert repr(result.curves) == "<CurveSet: 9 of 9 sweeps answered>"
    assert repr(result.measured[0]) == "<MeasuredSweep out:L-1 (L): 11 of 11 frames measured>"
    assert re.fullmatch(
        r"<CurveFit out:L-1 \(L\): \d+\.\d\d \+- 0\.\d\d steps, good>", repr(result.curves.fits[0])
    )
    colours = stored["colour"]["verdict"]
    assert repr(result.comparison) == (
        f"<Comparison: 7 of 7 filters measured, counted from L; colours: {colours}>"
    )


def test_a_folder_without_a_result_is_told_in_one_line(tmp_path):
    with pytest.raises(InputError, match=r"there is no .*result\.json"):
        load_result(tmp_path)


def test_a_result_of_version_0_1_whose_curves_had_other_shapes_is_read_and_shown(demo, tmp_path):
    old = later(demo[1], tmp_path / "old", days=1, steps=0)
    document = json.loads((old / "result.json").read_text("utf-8"))
    for fit in document["curves"]["fits"]:
        best, floor, slope = (
            fit[name]["value"] for name in ("best_focus_steps", "floor_px", "slope_px_per_step")
        )
        fit.update(model="blurred_disc", shape=[best, floor, slope, 0.0, 1.0])
    (old / "result.json").write_text(json.dumps(document), "utf-8")
    result = load_result(old)
    drawn = radius_at(result.curves.fits[0], result.curves.fits[0].curve.position_steps)
    assert drawn == pytest.approx(result.curves.fits[0].curve.radius_px, rel=0.15)
    write_results(result, tmp_path / "again")
