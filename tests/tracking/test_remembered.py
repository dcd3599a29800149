"""Frames measured before are not measured again, and give the same to the last bit."""

from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starsize.cache import Cache
from starsize.frames import load_calibration
from starsize.plain import digest
from starsize.setup import Camera, FilterGlass, Setup
from starsize.tracking import measure_sweeps

from .scenes import draw, fine_star, spread_places, write_sweep

SHAPE = (120, 160)


class Counting(Executor):
    """Works at once, and counts the tasks."""

    def __init__(self):
        self.names = []

    def submit(self, fn, /, task):
        self.names.append(task.facts.path.name)
        future = Future()
        future.set_result(fn(task))
        return future


def sweep(folder, name="L-1", seed=1):
    rng = np.random.default_rng(seed)
    places = spread_places(rng, SHAPE, 8, gap=25, rim=15)
    images = [
        draw(SHAPE, places, np.full(8, 3e4), fine_star(disc), rng=rng)[0]
        for disc in (4, 2, 0, 2, 4)
    ]
    positions = [float(1000 + 50 * k) for k in range(5)]
    return write_sweep(folder, images, positions=positions, name=name, band=name[0])


@pytest.fixture
def measured(tmp_path):
    """Measure sweeps with the one cache of this test; hand back radii, and what was measured."""

    def run(*sweeps, **known):
        counting = Counting()
        with Cache(tmp_path / "kept.sqlite") as cache:
            found = measure_sweeps(sweeps, cache=cache, executor=counting, **known)
            assert cache.trouble is None
        return found, counting.names

    return run


def test_a_second_run_measures_nothing_and_gives_the_same_to_the_last_bit(tmp_path, measured):
    one = sweep(tmp_path)
    first, names = measured(one)
    second, again = measured(one)
    assert (len(names), again) == (5, [])
    assert digest(second) == digest(first) == digest(measure_sweeps([one]))


def test_one_more_sweep_measures_only_that(tmp_path, measured):
    one, more = sweep(tmp_path), sweep(tmp_path, "R-1", seed=2)
    measured(one)
    both, names = measured(one, more)
    assert names == [frame.path.name for frame in more.frames]
    assert digest(both) == digest(measure_sweeps([one, more]))


def test_a_file_under_another_name_is_known_by_its_content(tmp_path, measured):
    one = sweep(tmp_path)
    measured(one)
    frames = tuple(
        replace(f, path=f.path.rename(tmp_path / f"new_{f.path.name}")) for f in one.frames
    )
    (found,), names = measured(replace(one, frames=frames))
    assert names == []
    assert [f.facts.path for f in found.frames] == [f.path for f in frames]


def test_a_file_that_changed_is_measured_again(tmp_path, measured):
    one = sweep(tmp_path)
    measured(one)
    with fits.open(one.frames[2].path, mode="update") as hdus:
        hdus[0].data[0, 0] += 1
    _, names = measured(one)
    assert names == [one.frames[2].path.name]


@pytest.mark.parametrize(
    ("setup", "count"),
    [
        (Setup(camera=Camera(gain_e_per_adu=2.0)), 5),
        (Setup(camera=Camera(saturation_adu=2000.0)), 5),
        (Setup(filters={"L": FilterGlass(thickness_mm=2.0)}), 0),
    ],
)
def test_what_the_measurement_depends_on_is_part_of_the_key(tmp_path, measured, setup, count):
    one = sweep(tmp_path)
    measured(one)
    found, names = measured(one, setup=setup)
    assert len(set(names)) == count
    assert digest(found) == digest(measure_sweeps([one], setup=setup))


def test_another_master_frame_is_another_measurement(tmp_path, measured):
    one = sweep(tmp_path)
    measured(one)
    dark = tmp_path / "dark.fits"
    for level in (100, 101):
        fits.PrimaryHDU(np.full(SHAPE, level, np.uint16)).writeto(dark, overwrite=True)
        for count in (5, 0):
            found, names = measured(one, calibration=load_calibration(dark=dark))
            assert len(set(names)) == count
        assert digest(found) == digest(
            measure_sweeps([one], calibration=load_calibration(dark=dark))
        )


@pytest.mark.parametrize("spoil", [lambda path: path.write_bytes(b"SIMPLE  ="), Path.unlink])
def test_a_frame_that_could_not_be_read_is_tried_again(tmp_path, measured, spoil):
    one = sweep(tmp_path)
    path = one.frames[1].path
    whole = path.read_bytes()
    spoil(path)
    (found,), _ = measured(one)
    assert found.frames[1].reason
    path.write_bytes(whole)
    (found,), names = measured(one)
    assert names == [path.name]
    assert found.frames[1].reason is None
