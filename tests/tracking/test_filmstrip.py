"""One star through a sweep: the right one, in the middle of each picture, above its sky."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.setup import Camera, Setup
from starsize.tracking import filmstrips, measure_sweeps

from .scenes import Motion, draw, fine_star, spread_places, write_sweep

SHAPE = (300, 420)
DISCS = [8.0, 4.0, 0.0, 4.0, 8.0]
DRIFT = [Motion(9 * k, -7 * k) for k in range(5)]


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """A drifting sweep of twelve stars, one of them saturated in focus, and where they stand."""
    rng = np.random.default_rng(5)
    places = spread_places(rng, SHAPE, 12, gap=60, rim=45)
    fluxes = np.array([4e6, *np.geomspace(3e5, 3e4, 11)])
    frames = [
        draw(SHAPE, m(places, SHAPE), fluxes, fine_star(d, obstruction=0.3), rng=rng)[0]
        for d, m in zip(DISCS, DRIFT, strict=True)
    ]
    positions = [1000.0 + 50 * k for k in range(5)]
    folder = tmp_path_factory.mktemp("strip")
    sweep = write_sweep(folder, frames, positions=positions, saturation_adu=60000.0)
    (measured,) = measure_sweeps([sweep])
    return measured, places


def test_the_star_stands_in_the_middle_of_every_picture(swept):
    (strip,) = filmstrips([swept[0]])
    for picture in strip.pictures:
        assert picture.shape[0] == picture.shape[1] == strip.pictures[0].shape[0]
        y, x = np.mgrid[: picture.shape[0], : picture.shape[0]]
        light = np.where(picture > 0.1 * picture.max(), picture, 0)
        middle = (picture.shape[0] - 1) / 2
        assert np.average(x, weights=light) == pytest.approx(middle, abs=1.0)
        assert np.average(y, weights=light) == pytest.approx(middle, abs=1.0)


def test_it_is_the_brightest_that_is_sound_in_all_frames(swept):
    measured, places = swept
    (strip,) = filmstrips([measured])
    # The brightest of all is saturated in focus; among the next three it is, in the sharpest frame.
    sharpest = int(np.argmin([frame.radius_px for frame in measured.frames]))
    there = DRIFT[sharpest](places, SHAPE)[1:4]
    assert np.hypot(*(there - (strip.x_px, strip.y_px)).T).min() < 2.0


def test_its_sky_is_nothing_and_its_light_is_all_there(swept):
    (strip,) = filmstrips([swept[0]])
    rims = [np.r_[p[0], p[-1], p[:, 0], p[:, -1]] for p in strip.pictures]
    assert np.abs([np.median(rim) for rim in rims]).max() < 3.0
    light = [p.sum() for p in strip.pictures]
    assert np.ptp(light) < 0.15 * np.mean(light)
    assert strip.radius_px[0] > 2.5 * strip.radius_px[2]


def test_a_file_that_has_gone_leaves_a_gap_only(swept, tmp_path):
    measured, _ = swept
    lost = replace(measured.frames[1].facts, path=tmp_path / "gone.fits")
    frames = list(measured.frames)
    frames[1] = replace(frames[1], facts=lost)
    (strip,) = filmstrips([replace(measured, frames=tuple(frames))])
    assert [picture is None for picture in strip.pictures] == [False, True, False, False, False]


def test_a_sweep_without_a_sound_star_has_no_strip(swept):
    measured, _ = swept
    blind = replace(measured.tracks, flags=np.full_like(measured.tracks.flags, 2))
    assert filmstrips([replace(measured, tracks=blind)]) == (None,)


def test_of_a_colour_camera_the_green_pixels_are_shown_once(tmp_path):
    rng = np.random.default_rng(6)
    places = spread_places(rng, SHAPE, 10, gap=60, rim=45)
    fluxes = np.geomspace(2e6, 2e5, 10)
    frames = [
        draw(SHAPE, places, fluxes, fine_star(d, fwhm_px=5.0), rng=rng)[0]
        for d in (10.0, 0.0, 10.0)
    ]
    sweep = write_sweep(tmp_path, frames, positions=[0.0, 50.0, 100.0])
    camera = Camera(bayer="RGGB")
    measured = measure_sweeps([sweep], setup=Setup(camera=camera))
    strips = filmstrips(measured, camera=camera)
    assert [strip is None for strip in strips] == [True, False, True]
    green = strips[1].pictures[1]
    peak = np.unravel_index(np.argmax(green), green.shape)
    assert np.abs(np.array(peak) - (green.shape[0] - 1) / 2).max() <= 1.5
