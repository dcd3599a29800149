"""The facts table overrides headers, a plan can be followed; slips are told with their line."""

import json

import pytest
from astropy.time import Time

from starsize.errors import InputError, SetupError
from starsize.frames import list_frames, read_facts_csv
from starsize.frames.tables import (
    FRAME_OVERHEAD_S,
    SWEEP_OVERHEAD_S,
    read_plan,
    read_plan_setup,
)
from starsize.simulate.planned import start_times_s

GOOD = {"FILTER": "L", "FOCUSPOS": 5000, "EXPTIME": 2.0}


@pytest.fixture
def table(tmp_path):
    def write(content, encoding="utf-8"):
        path = tmp_path / "facts.csv"
        path.write_bytes(content.encode(encoding))
        return path

    return write


def test_the_table_wins_over_the_header_and_supplies_what_it_lacks(make_fits, table):
    path = make_fits("a.fits", GOOD)
    facts_csv = table(
        "file,filter,position_steps,temperature_degC,exposure_s,time\n"
        "a.fits,H-alpha,7000,-3.5,60,2026-01-31T22:00:00\n"
    )
    (file,) = list_frames([path], facts_csv=facts_csv)
    facts = file.facts
    assert (facts.filter, facts.position_steps, facts.temperature_degC) == ("Ha", 7000, -3.5)
    assert facts.position_from == "facts table"
    assert facts.exposure_s == 60
    assert facts.mid_time_mjd == pytest.approx(Time("2026-01-31T22:00:30").mjd, abs=1e-8)


def test_an_empty_cell_leaves_the_header_alone(make_fits, table):
    path = make_fits("a.fits", GOOD)
    (file,) = list_frames([path], facts_csv=table("file,filter,position_steps\na.fits,,\n"))
    assert (file.facts.filter, file.facts.position_steps) == ("L", 5000)


@pytest.mark.parametrize(
    "content",
    [
        "file;position_steps;temperature_degC\r\na.fits;7000;-3,5\r\n",
        "\ufefffile,position_steps,temperature_degC\na.fits,7000,-3.5\n\n",
        'file, position_steps, temperature_degC\n"a.fits", 7000, -3.5\n',
        "position_steps,file,temperature_degC\n7000,a.fits,-3.5",
    ],
)
def test_dialects_of_spreadsheets(make_fits, table, content):
    (file,) = list_frames([make_fits("a.fits", GOOD)], facts_csv=table(content))
    assert (file.facts.position_steps, file.facts.temperature_degC) == (7000, -3.5)


def test_a_zero_in_the_table_is_meant(make_fits, table):
    paths = [make_fits(f"{p}.fits", {**GOOD, "FOCUSPOS": p}) for p in (10000, 11000, 12000, 9)]
    files = list_frames(paths, facts_csv=table("file,position_steps\n9.fits,0\n"))
    assert files[-1].usable
    assert files[-1].facts.position_steps == 0


def test_equal_names_in_two_folders_need_the_folder(make_fits, table, tmp_path):
    for folder in ("L", "R"):
        make_fits(f"night/{folder}/a.fits", GOOD)
    good = table("file,position_steps\nR/a.fits,7\nL\\a.fits,8\n")
    files = list_frames([tmp_path / "night"], facts_csv=good)
    assert [f.facts.position_steps for f in files] == [8, 7]
    with pytest.raises(SetupError, match=r"line 2: a\.fits could be 2 of the files given"):
        list_frames([tmp_path / "night"], facts_csv=table("file,position_steps\na.fits,7\n"))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("file,postion_steps\n", r"line 1: unknown column 'postion_steps'; did you mean position_"),
        ("file,colour of dog\n", r"line 1: unknown column 'colour of dog'; known are file, filter"),
        ("position_steps\n5\n", r"line 1: there is no column 'file'"),
        ("", r"line 1: there is no column 'file'"),
        ("file,filter,filter\n", r"line 1: column 'filter' is there twice"),
        ("file,position_steps\na.fits,5\nb.fits,6\n", r"line 3: b\.fits is not among the files"),
        ("file,position_steps\na.fits,five\n", r"line 2: position_steps 'five' is not a number"),
        ("file,position_steps\na.fits,nan\n", r"line 2: position_steps 'nan' is not a number"),
        ("file,position_steps\na.fits,inf\n", r"line 2: position_steps 'inf' is not a number"),
        ("file,exposure_s\na.fits,-2\n", r"line 2: exposure_s '-2' is not a number"),
        ("file,time\na.fits,10pm\n", r"line 2: time '10pm' is not like 2026-01-31T22:15:00"),
        ("file,time\na.fits,2026-01-31\n", r"line 2: time '2026-01-31' is not like"),
        ("file,filter\na.fits,L\na.fits,R\n", r"line 3: a\.fits is already in line 2"),
        ("file,filter\na.fits,L\n./a.fits,R\n", r"line 3: \./a\.fits is already in line 2"),
        ("file,filter\n,L\n", r"line 2: the cell 'file' is empty"),
        ("file,filter\na.fits,L,R\n", r"line 2: 3 cells for 2 columns"),
    ],
)
def test_each_slip_is_told_with_its_line(make_fits, table, content, message):
    path = make_fits("a.fits", GOOD)
    with pytest.raises(SetupError, match=message):
        list_frames([path], facts_csv=table(content))


def test_a_table_that_is_no_text(table):
    with pytest.raises(SetupError, match=r"facts\.csv: the facts table is not UTF-8 text"):
        read_facts_csv(table("file,filter\na.fits,Grün\n", "latin-1"))


def test_a_missing_table(tmp_path):
    with pytest.raises(SetupError, match=r"the facts table cannot be read \(no such file"):
        read_facts_csv(tmp_path / "facts.csv")


def test_cells_pasted_from_a_spreadsheet_are_split_at_tabs(table):
    (row,) = read_facts_csv(table("file\tposition_steps\na.fits\t11913,5\n", "utf-8"))
    assert row.stated["position_steps"] == 11913.5


def test_a_temperature_no_telescope_has_is_a_slip_not_a_fact(table):
    with pytest.raises(SetupError, match=r"line 2: temperature_degC 400 is not the temperature"):
        read_facts_csv(table("file,temperature_degC\na.fits,400\n", "utf-8"))


HEAD = "order,sweep,filter,position_steps,exposure_s,note\n"
PLAN = HEAD + "1,1,Lum,100,2,go\n2,1,Lum,120,2,\n3,2,H-alpha 7nm,100,30,\n"


def plan(tmp_path, text):
    path = tmp_path / "plan.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_become_exposures_and_filters_their_usual_names(tmp_path):
    rows = read_plan(plan(tmp_path, PLAN))
    assert [(r.sweep, r.filter, r.position_steps, r.exposure_s) for r in rows] == [
        (1, "L", 100, 2.0), (1, "L", 120, 2.0), (2, "Ha", 100, 30.0),
    ]  # fmt: skip
    assert rows[0].note == "go"


def test_times_hold_exposures_and_overheads(tmp_path):
    times = start_times_s(read_plan(plan(tmp_path, PLAN)))
    frame = 2 + FRAME_OVERHEAD_S
    second = 2 * SWEEP_OVERHEAD_S + 2 * frame
    assert times == [SWEEP_OVERHEAD_S, SWEEP_OVERHEAD_S + frame, second, second + 36]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column order"),
        (HEAD, "holds no exposure"),
        (HEAD + "1,1,L,abc,2,\n", "line 2: position_steps 'abc'"),
        (HEAD + "1,1,L,100,0,\n", "line 2: exposure_s '0'"),
        (HEAD + "1,1,L,nan,2,\n", "position_steps 'nan'"),
        (HEAD + "1,1,,100,2,\n", "line 2: the filter ''"),
        (HEAD + "1,1,L,100,2,\n2,1,R,120,2,\n", "line 3: sweep 1 is one of L"),
        (HEAD + "1,1,L,1,2,\n2,2,R,1,2,\n3,1,L,2,2,\n", "line 4: sweep 1 was already over"),
    ],
)
def test_what_cannot_be_followed_is_named(tmp_path, text, said):
    with pytest.raises(InputError, match=said):
        read_plan(plan(tmp_path, text))


def test_a_plan_that_is_not_there_or_no_text_is_one_line(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_plan(tmp_path / "none.csv")
    (tmp_path / "plan.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="the plan is not UTF-8 text"):
        read_plan(tmp_path / "plan.csv")


def test_the_document_beside_a_plan_tells_the_telescope(tmp_path):
    path = plan(tmp_path, PLAN)
    assert read_plan_setup(path) is None
    document = {"setup": {"telescope": {"focal_length_mm": 480.0}}, "hfr_px": 1.3}
    (tmp_path / "plan.json").write_text(json.dumps(document))
    setup, hfr_px = read_plan_setup(path)
    assert (setup.telescope.focal_length_mm, hfr_px) == (480.0, 1.3)
