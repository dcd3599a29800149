"""Tables with units say what the files say."""

import csv
import io

import astropy.units as u
import numpy as np
import pytest

from starsize.reports.tables import (
    OFFSET_COLUMNS,
    curves_csv,
    curves_table,
    frames_csv,
    frames_table,
    offsets_csv,
    offsets_table,
)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_offsets_are_those_of_the_csv_with_units(night):
    table, written = offsets_table(night), rows_of(offsets_csv(night))
    assert set(OFFSET_COLUMNS) <= set(table.colnames)
    assert list(table["filter"]) == [row["filter"] for row in written]
    assert table["offset_um"].unit == u.um
    for name in ("offset_steps", "zone_steps"):
        text = [float(row[name] or "nan") for row in written]
        assert np.allclose(table[name], text, rtol=2e-3, atol=0.01, equal_nan=True)
    assert np.isnan(table["offset_steps"][list(table["filter"]).index("SII")])


def test_curves_have_a_row_a_sweep_with_sigmas_beside(night):
    table, written = curves_table(night), rows_of(curves_csv(night))
    assert list(table["id"]) == [row["sweep"] for row in written]
    assert table["floor_px"].unit == table["floor_sigma_px"].unit == u.pix
    best = [float(row["best_focus_steps"] or "nan") for row in written]
    assert np.allclose(table["best_steps"], best, rtol=1e-5, equal_nan=True)
    low, high = table["low_interval95_steps"], table["high_interval95_steps"]
    assert np.all((low < table["best_steps"]) & (table["best_steps"] < high) | ~table["answered"])


def test_frames_have_a_row_a_radius_and_one_where_there_is_none(night):
    table, written = frames_table(night), rows_of(frames_csv(night))
    assert set(table["file"]) == {row["file"] for row in written}
    assert (table["radius_px"].unit, table["temperature_degC"].unit) == (u.pix, u.deg_C)
    for row in written:
        mine = table[table["file"] == row["file"]]
        assert len(mine) >= 1
        if row["hfr_px"]:
            assert mine["radius_px"][0].value == pytest.approx(float(row["hfr_px"]), rel=0.01)


def test_nothing_at_all_is_an_empty_table(nothing_measured):
    assert "filter" in offsets_table(nothing_measured).colnames
