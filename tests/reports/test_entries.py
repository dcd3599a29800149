from dataclasses import replace
from pathlib import Path

import numpy as np

from starsize.frames.frame import InputFile
from starsize.reports.tables import file_entries, shown_names


def test_every_input_file_has_one_entry_in_its_order(night):
    entries = file_entries(night)
    assert [e.file for e in entries] == [item.path.name for item in night.files]


def test_a_file_that_is_not_used_always_says_why(night, nothing_measured):
    for run in (night, nothing_measured):
        unused = [entry for entry in file_entries(run) if not entry.used]
        assert unused
        assert all(entry.reason for entry in unused)


def test_the_wrecked_frame_is_left_out_with_its_reason(night):
    entry = next(e for e in file_entries(night) if e.file == "R-1_07.fits")
    assert not entry.used
    assert "1.5 times as large" in entry.reason


def test_a_usable_file_that_no_sweep_took_is_not_passed_over(night):
    lonely = replace(night.files[0].facts, path=Path("night/lonely.fits"))
    run = replace(night, files=(*night.files, InputFile(lonely.path, lonely)))
    entry = file_entries(run)[-1]
    assert (entry.used, entry.reason) == (False, "part of no sweep")


def test_frames_without_radius_do_not_shift_the_others(night):
    """The curve has one entry fewer than the sweep has frames: reasons must stay with theirs."""
    measured, fit = night.measured[1], night.curves.fits[1]
    frames = list(measured.frames)
    frames[2] = replace(frames[2], radius_px=float("nan"), reason="No star was found.")
    keep = np.arange(len(frames)) != 2
    curve = fit.curve
    shorter = replace(
        curve,
        **{
            name: getattr(curve, name)[keep]
            for name in ("position_steps", "radius_px", "radius_sigma_px", "n_stars",
                         "temperature_degC", "time_mjd")
        },
        names=tuple(n for n, kept in zip(curve.names, keep, strict=True) if kept),
    )  # fmt: skip
    reasons = tuple(r for r, kept in zip(fit.frame_reasons, keep, strict=True) if kept)
    fits = list(night.curves.fits)
    fits[1] = replace(fit, curve=shorter, used=fit.used[keep], frame_reasons=reasons)
    run = replace(
        night,
        measured=(night.measured[0], replace(measured, frames=tuple(frames)), *night.measured[2:]),
        curves=replace(night.curves, fits=tuple(fits)),
    )
    told = {e.file: e.reason for e in file_entries(run) if e.file.startswith("R-1") and e.reason}
    assert told["R-1_02.fits"] == "No star was found."
    assert "1.5 times" in told["R-1_07.fits"]
    assert len(told) == 2


def test_a_colour_camera_shows_green_and_keeps_all_three(colour_camera):
    entry = file_entries(colour_camera)[0]
    assert [reading.filter for reading in entry.readings] == ["R", "G", "B"]
    assert entry.main_reading.filter == "G"


def test_names_start_below_the_folder_that_all_files_share():
    paths = [Path("/home/me/first/a.fits"), Path("/home/me/second/a.fits")]
    assert list(shown_names(paths).values()) == ["first/a.fits", "second/a.fits"]
    assert list(shown_names(paths[:1]).values()) == ["a.fits"]


def test_files_that_share_no_folder_keep_their_names():
    paths = [Path("night/a.fits"), Path("/elsewhere/a.fits")]
    assert list(shown_names(paths).values()) == ["night/a.fits", "/elsewhere/a.fits"]
