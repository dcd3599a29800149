import astropy.units as u
import numpy as np
import pytest
from astropy.table import QTable

from starsize.errors import OutputError
from starsize.reports import write_star_table


def stars(rows=3):
    numbers = np.arange(rows, dtype=float)
    return QTable(
        {"x": numbers * u.pix, "hfr": (numbers + 2) * u.pix, "flags": np.arange(rows)},
        meta={"frame": "a.fits"},
    )


@pytest.mark.parametrize("rows", [0, 3])
def test_units_and_facts_survive_the_round_trip(tmp_path, rows):
    path = write_star_table(tmp_path / "stars.ecsv", stars(rows))
    back = QTable.read(path, format="ascii.ecsv")
    assert len(back) == rows
    assert back["hfr"].unit == u.pix
    assert back.meta["frame"] == "a.fits"
    assert np.array_equal(back["flags"], stars(rows)["flags"])
    assert b"\r" not in path.read_bytes()


def test_a_file_that_is_there_is_kept(tmp_path):
    path = tmp_path / "stars.ecsv"
    path.write_text("mine")
    with pytest.raises(OutputError, match="already there"):
        write_star_table(path, stars())
    write_star_table(path, stars(), overwrite=True)
    assert path.read_text().startswith("# %ECSV")
