"""Frames measured one by one: the line of each, the table of their stars, colour, damage."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from starsize.tracking import measure_files, measure_files_and_stars

from .scenes import draw, fine_star, spread_places, true_radius, write_sweep

SHAPE = (560, 760)
DISCS = [8.0, 3.0, 0.0]


def field(disc, *, seed=66, n=50, gap=48, lg_flux=(4.0, 5.4), shape=SHAPE):
    rng = np.random.default_rng(seed)
    places = spread_places(rng, shape, n, gap=gap, rim=-10)
    fluxes = 10 ** rng.uniform(*lg_flux, n)
    return draw(shape, places, fluxes, fine_star(disc, obstruction=0.3), rng=rng)[0]


def frames_of(folder, images, **facts):
    return write_sweep(folder, images, positions=[float(k) for k in range(len(images))], **facts)


def test_single_frames_are_measured_each_on_its_own(tmp_path):
    facts = frames_of(tmp_path, [field(d, seed=66 + k) for k, d in enumerate(DISCS)]).frames
    frames = measure_files(facts)
    assert_allclose([f.radius_px for f in frames], [true_radius(d) for d in DISCS], rtol=0.01)
    assert all(f.elongation < 1.1 for f in frames)
    assert all(abs(f.background_adu - 800) < 3 for f in frames)
    assert [f.channel for f in frames] == ["", "", ""]


def test_a_file_that_is_gone_has_one_line_that_names_it(tmp_path):
    (facts,) = frames_of(tmp_path, [field(0.0)], bayer="RGGB").frames
    frames, stars = measure_files_and_stars([replace(facts, path=tmp_path / "gone.fits"), facts])
    assert [f.channel for f in frames] == ["", "R", "G", "B"]
    assert np.isnan(frames[0].radius_px)
    assert "gone.fits" in frames[0].reason
    assert set(stars["file"]) == {facts.path.name}


COLOUR_DISCS = {"R": 5.0, "G": 7.0, "B": 9.0}


@pytest.fixture(scope="module")
def colour_frame(tmp_path_factory):
    """One frame of an invented colour camera whose colours come to focus apart."""
    layers = {
        c: field(d, seed=70, n=45, gap=55, lg_flux=(4.6, 5.6)) for c, d in COLOUR_DISCS.items()
    }
    mosaic = np.empty(SHAPE)
    for i, letter in enumerate("RGGB"):
        own = slice(i // 2, None, 2), slice(i % 2, None, 2)
        mosaic[own] = layers[letter][own]
    return frames_of(tmp_path_factory.mktemp("colour"), [mosaic], bayer="RGGB").frames


def test_a_colour_frame_has_a_line_for_each_channel(colour_frame):
    frames = measure_files(colour_frame)
    assert [f.channel for f in frames] == ["R", "G", "B"]
    assert {f.facts for f in frames} == set(colour_frame)
    found = [f.radius_px for f in frames]
    assert_allclose(found, [true_radius(d) for d in COLOUR_DISCS.values()], rtol=0.01)


def test_the_star_table_tells_the_channels_apart_in_pixels_of_the_whole_frame(colour_frame):
    frames, stars = measure_files_and_stars(colour_frame)
    assert (stars.colnames[0], stars.colnames[-1]) == ("file", "channel")
    red, blue = (stars[(stars["channel"] == c) & (stars["flags"] == 0)] for c in "RB")
    gap = np.hypot(
        red["x"].value[:, None] - blue["x"].value, red["y"].value[:, None] - blue["y"].value
    )
    # The same stars stand in all colours at the same places.
    assert np.median(gap.min(axis=1)) < 0.2
    for line in frames:
        good = stars[(stars["channel"] == line.channel) & (stars["flags"] == 0)]
        assert_allclose(np.median(good["radius"].value), line.radius_px, rtol=0.01)


@pytest.fixture(scope="module")
def crowd(tmp_path_factory):
    """More stars than stand behind the line of a frame."""
    image = field(0.0, seed=71, n=500, gap=22, lg_flux=(3.2, 5.0), shape=(700, 900))
    return frames_of(tmp_path_factory.mktemp("crowd"), [image]).frames


def test_asking_for_the_stars_does_not_change_the_line(crowd):
    (alone,) = measure_files(crowd)
    (line,), stars = measure_files_and_stars(crowd)
    assert line == alone
    assert len(stars) == line.n_found > 400


def test_every_star_is_in_the_table_once_and_the_faint_ones_are_right_too(crowd):
    _, stars = measure_files_and_stars(crowd)
    places = np.stack([stars["x"].value, stars["y"].value], 1)
    gap = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1)) + 1e9 * np.eye(len(places))
    assert gap.min() > 5
    faint = stars[320:]
    faint = faint[faint["flags"] == 0]
    assert len(faint) > 80
    assert_allclose(np.median(faint["radius"].value), true_radius(0.0), rtol=0.01)


def test_workers_give_the_same_line_and_table(crowd):
    (line,), stars = measure_files_and_stars(crowd)
    with ThreadPoolExecutor(1) as pool:
        (same,), table = measure_files_and_stars(crowd, executor=pool)
    assert same == line
    assert_array_equal(table["radius"].value, stars["radius"].value)


def test_no_frames_no_work():
    assert measure_files([]) == ()
    assert len(measure_files_and_stars([])[1]) == 0
