import csv
import json
from dataclasses import replace

import pytest

from starsize.errors import OutputError
from starsize.reports import COMPARISON_FILES, comparison_document, write_comparison, write_results
from starsize.reports.folder import json_text


def test_table_document_and_page_are_written(two_sets, tmp_path):
    written = write_comparison(two_sets, tmp_path / "out")
    assert {path.name for path in written} == set(COMPARISON_FILES.names)


def test_the_table_has_one_row_per_filter_and_no_nan(two_sets, tmp_path):
    write_comparison(two_sets, tmp_path)
    with (tmp_path / "comparison.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["filter"] for row in rows] == ["R", "G", "OIII", "SII"]
    assert rows[0]["change_steps"] == "-9.20"
    assert (rows[0]["update"], rows[1]["update"], rows[3]["update"]) == ("yes", "no", "")
    assert rows[3]["old_offset_steps"] == ""
    assert (rows[0]["old_move_steps"], rows[0]["new_move_steps"]) == ("12", "3")


def test_the_document_is_plain_json(two_sets):
    broken = replace(two_sets.rows[0], change_um=float("nan"))
    document = comparison_document(replace(two_sets, rows=(broken,)))
    assert json.loads(json_text(document)) == document
    assert document["schema"] == {"name": "starsize-comparison", "version": 1}
    assert document["rows"][0]["change_um"] is None
    assert document["warnings"][0]["code"] == "temperatures_differ"


def test_results_and_comparison_share_a_folder_without_claiming_each_other(
    two_sets, nothing_measured, tmp_path
):
    write_results(nothing_measured, tmp_path)
    write_comparison(two_sets, tmp_path)
    write_results(nothing_measured, tmp_path)
    (tmp_path / "comparison.csv").write_text("edited")
    with pytest.raises(OutputError, match=r"comparison\.csv"):
        write_comparison(two_sets, tmp_path)


def test_the_same_comparison_gives_the_same_bytes(two_sets, tmp_path):
    first = [path.read_bytes() for path in write_comparison(two_sets, tmp_path / "one")]
    assert first == [path.read_bytes() for path in write_comparison(two_sets, tmp_path / "two")]
