import json

import pytest

from starsize.errors import InputError
from starsize.frames.tables import (
    FRAME_OVERHEAD_S,
    SWEEP_OVERHEAD_S,
    read_plan,
    read_plan_setup,
)
from starsize.simulate.planned import start_times_s

HEAD = "order,sweep,filter,position_steps,exposure_s,note\n"
GOOD = HEAD + "1,1,Lum,100,2,go\n2,1,Lum,120,2,\n3,2,H-alpha 7nm,100,30,\n"


def plan(tmp_path, text):
    path = tmp_path / "plan.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_become_exposures_and_filters_their_usual_names(tmp_path):
    rows = read_plan(plan(tmp_path, GOOD))
    assert [(r.sweep, r.filter, r.position_steps, r.exposure_s) for r in rows] == [
        (1, "L", 100, 2.0), (1, "L", 120, 2.0), (2, "Ha", 100, 30.0),
    ]  # fmt: skip
    assert rows[0].note == "go"


def test_times_hold_exposures_and_overheads(tmp_path):
    times = start_times_s(read_plan(plan(tmp_path, GOOD)))
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
    path = plan(tmp_path, GOOD)
    assert read_plan_setup(path) is None
    document = {"setup": {"telescope": {"focal_length_mm": 480.0}}, "hfr_px": 1.3}
    (tmp_path / "plan.json").write_text(json.dumps(document))
    setup, hfr_px = read_plan_setup(path)
    assert (setup.telescope.focal_length_mm, hfr_px) == (480.0, 1.3)
