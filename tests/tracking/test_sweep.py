"""Sweeps as users see them: drift, flip, faint ends, colour, calibration, damaged files."""

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_allclose

from starsize.errors import InputError
from starsize.frames import load_calibration
from starsize.photometry import Known, StarFlag
from starsize.setup import Camera, Setup
from starsize.tracking import measure_sweeps, sweep as sweep_module

from .scenes import Motion, draw, fine_star, spread_places, true_radius, write_sweep

SHAPE = (560, 760)
DISCS = [9.0, 6.0, 3.0, 0.0, 3.0, 6.0, 9.0]


TRUTH = np.array([true_radius(d) for d in DISCS])


def images(seed=50, *, motions=None, lg_flux=(4.0, 5.4), n=50, rim=-15):
    rng = np.random.default_rng(seed)
    places = spread_places(rng, SHAPE, n, gap=48, rim=rim)
    fluxes = 10 ** rng.uniform(*lg_flux, n)
    motions = motions or [Motion(6 * k, -4 * k) for k in range(len(DISCS))]
    frames = [
        draw(SHAPE, m(places, SHAPE), fluxes, fine_star(d, obstruction=0.3), rng=rng)[0]
        for d, m in zip(DISCS, motions, strict=True)
    ]
    return frames, places, fluxes


def sweep_of(tmp_path, frames, **facts):
    positions = [float(1000 + 50 * k) for k in range(len(frames))]
    return write_sweep(tmp_path, frames, positions=positions, **facts)


def test_radii_are_right_in_every_frame_while_the_sky_drifts(tmp_path):
    sweep = sweep_of(tmp_path, images()[0], gain_e_per_adu=1.0)
    (measured,) = measure_sweeps([sweep])
    assert measured.id == "L-1"
    assert measured.sweep is sweep
    found = np.array([f.radius_px for f in measured.frames])
    assert_allclose(found, TRUTH, rtol=0.01)
    assert all(f.reason is None for f in measured.frames)
    assert min(f.n_stars for f in measured.frames) >= 25
    assert [f.facts for f in measured.frames] == list(sweep.frames)


def test_a_meridian_flip_of_a_few_degrees_too_many_is_followed(tmp_path):
    motions = [Motion(2.0 * k, 1.0, 0.0 if k < 3 else 182.5) for k in range(len(DISCS))]
    (measured,) = measure_sweeps([sweep_of(tmp_path, images(51, motions=motions)[0])])
    assert all(f.reason is None for f in measured.frames)
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.01)


def test_the_same_stars_stand_behind_every_frame(tmp_path):
    # Seeing aside, nothing distinguishes the frames: what is used at the ends is used in focus.
    (measured,) = measure_sweeps([sweep_of(tmp_path, images(52, rim=75)[0])])
    used = measured.tracks.flags == 0
    assert used.all(axis=1).mean() > 0.9
    assert measured.tracks.radius_px.shape == (len(measured.tracks.x_px), len(DISCS))


def test_stars_that_sink_below_the_noise_at_the_ends_do_not_bend_the_curve(tmp_path):
    # Half of the stars cannot be seen at the ends: signal-to-noise ratio below 5 there.
    frames, _, _ = images(53, lg_flux=(2.3, 4.6), n=60)
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames, gain_e_per_adu=1.0)])
    seen = [f.n_found for f in measured.frames]
    assert seen[0] < 0.8 * seen[3]
    found = np.array([f.radius_px for f in measured.frames])
    # The faintest stars found have a signal-to-noise ratio of 6.
    assert_allclose(found, TRUTH, rtol=0.015)


def test_the_stated_uncertainty_of_a_frame_holds(tmp_path):
    pulls = []
    for seed in range(4):
        folder = tmp_path / str(seed)
        folder.mkdir()
        frames, _, _ = images(60 + seed, lg_flux=(3.8, 4.4), n=40)
        (measured,) = measure_sweeps([sweep_of(folder, frames, gain_e_per_adu=1.0)])
        pulls += [
            (f.radius_px - t) / f.radius_sigma_px
            for f, t in zip(measured.frames, TRUTH, strict=True)
        ]
    # 28 pulls, known to 13 %; a bias of a few parts in a thousand of the radius is allowed for.
    assert np.sqrt(np.mean(np.square(pulls))) < 2.5


def test_workers_give_the_same_numbers_and_report_progress(tmp_path):
    sweep = sweep_of(tmp_path, images(54)[0][2:5])
    told = []
    (alone,) = measure_sweeps([sweep], progress=lambda done, total: told.append((done, total)))
    with ThreadPoolExecutor(2) as pool:
        (shared,) = measure_sweeps([sweep], executor=pool)
    assert told == [(k, 3) for k in range(1, 4)]
    assert [f.radius_px for f in alone.frames] == [f.radius_px for f in shared.frames]


def test_frames_that_are_looked_at_twice_are_counted_once(tmp_path, monkeypatch):
    hint = Known(np.ones((1, 2)), 2.0, np.ones(1))
    monkeypatch.setattr(sweep_module, "known_stars", lambda run, _: [hint] * len(run))
    told = []
    sweep = sweep_of(tmp_path, images(54)[0][2:5])
    (measured,) = measure_sweeps([sweep], progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 3), (2, 3), (3, 3)]
    # No star stands there, so the first looks do.
    assert_allclose([f.radius_px for f in measured.frames], TRUTH[2:5], rtol=0.01)


def test_separate_processes_will_do(tmp_path):
    sweep = sweep_of(tmp_path, images(54)[0][2:5])
    (alone,) = measure_sweeps([sweep])
    with ProcessPoolExecutor(1) as pool:
        (shared,) = measure_sweeps([sweep], executor=pool)
    assert_allclose([f.radius_px for f in alone.frames], [f.radius_px for f in shared.frames])


def test_frames_that_cannot_serve_say_why_and_leave_the_others_alone(tmp_path):
    frames, _, _ = images(55)
    rng = np.random.default_rng(56)
    frames[1] = rng.normal(800, 10, SHAPE)
    strange = spread_places(rng, SHAPE, 30, gap=48, rim=10)
    frames[5], _ = draw(SHAPE, strange, np.full(30, 5e4), fine_star(6.0, obstruction=0.3), rng=rng)
    sweep = sweep_of(tmp_path, frames)
    sweep.frames[6].path.write_bytes(b"this is not a frame")
    (measured,) = measure_sweeps([sweep])
    reasons = [f.reason for f in measured.frames]
    assert "no stars were found" in reasons[1]
    assert sweep.frames[6].path.name in reasons[6]
    assert all(np.isnan(measured.frames[j].radius_px) for j in (1, 6))
    # Frame 5 shows another field, and takes part with what its own stars say.
    good = [0, 2, 3, 4, 5]
    assert_allclose([measured.frames[j].radius_px for j in good], TRUTH[good], rtol=0.01)


def test_hot_pixels_stay_put_while_the_sky_moves_and_are_never_used(tmp_path):
    frames, _, _ = images(57)
    rng = np.random.default_rng(58)
    rows, columns = rng.integers(5, 550, 300), rng.integers(5, 750, 300)
    excess = 10 ** rng.uniform(2, 4.3, 300)
    for frame in frames:
        frame[rows, columns] += excess
        # Warm clumps of four pixels, blunt enough to pass for a sharp star.
        for dy, dx in ((0, 1), (1, 0), (1, 1)):
            frame[rows[:10] + dy, columns[:10] + dx] += 0.7 * excess[:10]
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.012)


def test_a_satellite_across_one_frame_moves_its_radius_a_little_and_no_other(tmp_path):
    frames, _, _ = images(69, lg_flux=(3.6, 5.2), n=60)
    x = np.arange(SHAPE[1])
    y = np.rint(80 + 0.5 * x).astype(int)
    for k in range(-2, 3):
        inside = (y + k >= 0) & (y + k < SHAPE[0])
        frames[1][(y + k)[inside], x[inside]] += 150
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames, gain_e_per_adu=1.0)])
    found = np.array([f.radius_px for f in measured.frames]) / TRUTH - 1
    assert abs(found[1]) < 0.04
    assert np.abs(np.delete(found, 1)).max() < 0.01


def test_saturated_stars_count_only_where_they_are_not(tmp_path):
    frames, _, _ = images(59, lg_flux=(4.3, 6.0))
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames, saturation_adu=30000.0)])
    full = (measured.tracks.flags & StarFlag.SATURATED) > 0
    assert full[:, 3].sum() > full[:, 0].sum()
    assert measured.frames[3].set_aside["saturated"] == full[:, 3].sum()
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.01)


COLOUR_DISCS = {"R": 5.0, "G": 7.0, "B": 9.0}


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_a_colour_camera_gives_three_sweeps_each_on_its_own_pixels(tmp_path, pattern):
    rng = np.random.default_rng(61)
    places = spread_places(rng, SHAPE, 45, gap=55, rim=20)
    fluxes = 10 ** rng.uniform(4.6, 5.6, 45)
    frames = []
    for k in range(2):
        layers = {
            c: draw(SHAPE, places + 3 * k, fluxes, fine_star(d, obstruction=0.3), rng=rng)[0]
            for c, d in COLOUR_DISCS.items()
        }
        mosaic = np.empty(SHAPE)
        for i, letter in enumerate(pattern):
            own = slice(i // 2, None, 2), slice(i % 2, None, 2)
            mosaic[own] = layers[letter][own]
        frames.append(mosaic)
    sweep = sweep_of(tmp_path, frames, name="colour-1", bayer=pattern)
    measured = measure_sweeps([sweep])
    assert [m.id for m in measured] == ["colour-1-R", "colour-1-G", "colour-1-B"]
    assert [m.filter for m in measured] == ["R", "G", "B"]
    for one, disc in zip(measured, COLOUR_DISCS.values(), strict=True):
        # Pixels of one colour lie two apart; what that adds to the radius is taken off again.
        assert_allclose([f.radius_px for f in one.frames], true_radius(disc), rtol=0.01)
    assert len(measure_sweeps([sweep], setup=Setup(camera=Camera(bayer="none")))) == 1


def test_in_focus_too_a_colour_s_pixels_give_the_radius_of_all_pixels(tmp_path):
    frames, _, _ = images(62, lg_flux=(4.8, 5.6), motions=[Motion()] * len(DISCS))
    sweep = sweep_of(tmp_path, [frames[3]], bayer="RGGB")
    for one in measure_sweeps([sweep]):
        # Half as many pixels across a star of HFR 1.9 px: 3 %.
        assert_allclose(one.frames[0].radius_px, TRUTH[3], rtol=0.03)


def test_calibration_frames_are_applied_here_and_in_workers(tmp_path):
    frames, _, _ = images(63)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    flat = 1 - 0.3 * np.hypot(x - 380, y - 280) / 480
    rng = np.random.default_rng(64)
    dark = 400 + rng.exponential(20, SHAPE)
    frames = [frame * flat + dark for frame in frames[2:5]]
    fits.writeto(tmp_path / "flat.fits", (20000 * flat).astype(np.float32))
    fits.writeto(tmp_path / "dark.fits", dark.astype(np.float32))
    calibration = load_calibration(dark=tmp_path / "dark.fits", flat=tmp_path / "flat.fits")
    sweep = sweep_of(tmp_path, frames)
    (here,) = measure_sweeps([sweep], calibration=calibration)
    assert_allclose([f.radius_px for f in here.frames], TRUTH[2:5], rtol=0.01)
    # The flat is taken in units of its median.
    assert_allclose(here.frames[0].background_adu, 800 * np.median(flat), rtol=0.02)
    with ThreadPoolExecutor(1) as pool:
        (away,) = measure_sweeps([sweep], calibration=calibration, executor=pool)
    assert_allclose([f.radius_px for f in away.frames], [f.radius_px for f in here.frames])


def test_a_calibration_frame_of_another_size_is_one_clear_line(tmp_path):
    frames, _, _ = images(65)
    fits.writeto(tmp_path / "dark.fits", np.full((50, 60), 400, np.float32))
    calibration = load_calibration(dark=tmp_path / "dark.fits")
    with pytest.raises(InputError, match=r"dark\.fits: this dark has 60 x 50 pixels"):
        measure_sweeps([sweep_of(tmp_path, frames[:2])], calibration=calibration)


def test_a_sweep_through_cloud_says_so_for_every_frame(tmp_path):
    rng = np.random.default_rng(67)
    (measured,) = measure_sweeps([sweep_of(tmp_path, [rng.normal(800, 10, SHAPE) for _ in DISCS])])
    assert all(f.reason is not None and np.isnan(f.radius_px) for f in measured.frames)


def test_a_single_star_is_enough(tmp_path):
    rng = np.random.default_rng(68)
    frames = [
        draw(SHAPE, [(300.0 + 3 * k, 250.0)], [2e5], fine_star(d, obstruction=0.3), rng=rng)[0]
        for k, d in enumerate(DISCS)
    ]
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.015)
    assert {f.n_stars for f in measured.frames} == {1}


def test_no_sweeps_no_work():
    assert measure_sweeps([]) == ()


def test_a_knot_of_nebula_leads_no_frame_of_a_lone_star(tmp_path):
    rng = np.random.default_rng(70)
    y, x = np.indices(SHAPE)
    # Far from focus the knot stands out more than the star: alone those frames read 14 px.
    knot = 4e4 * np.exp(-((x - 150) ** 2 + (y - 400) ** 2) / (2 * 12**2)) / (2 * np.pi * 12**2)
    frames = [
        draw(SHAPE, [(300.0, 250.0)], [5e3], fine_star(d, obstruction=0.3), rng=rng)[0] + knot
        for d in DISCS
    ]
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.04)


def strike(image, rng, n):
    """Cosmic rays: short tracks of some thousand counts, as bright as a faint star and sharper."""
    struck = image.copy()
    for _ in range(n):
        x, y = rng.uniform(20, SHAPE[1] - 20), rng.uniform(20, SHAPE[0] - 20)
        along = np.arange(4)[:, None] * [np.cos(x), np.sin(x)]
        for dx, dy in np.unique(np.rint(along), axis=0).astype(int):
            struck[round(y) + dy, round(x) + dx] += 1500
    return struck


def lone_star(rng, light, *, at=None, rays=3):
    at = at or [(300.0, 250.0)] * len(DISCS)
    return [
        strike(draw(SHAPE, [place], [flux], fine_star(d, obstruction=0.3), rng=rng)[0], rng, rays)
        for d, flux, place in zip(DISCS, light, at, strict=True)
    ]


def test_a_star_is_what_other_frames_show_too_and_a_cosmic_ray_is_not(tmp_path):
    rng = np.random.default_rng(71)
    (measured,) = measure_sweeps([sweep_of(tmp_path, lone_star(rng, [9e3] * len(DISCS)))])
    # Alone, frames far from focus are led by what strikes them, and read 1 to 2 px.
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def test_where_cloud_hides_the_star_a_cosmic_ray_gives_no_radius(tmp_path):
    rng = np.random.default_rng(72)
    light = np.array([9e3, 0.0, 9e3, 9e3, 3e3, 9e3, 0.0])
    (measured,) = measure_sweeps([sweep_of(tmp_path, lone_star(rng, light))])
    gone = light == 0
    reasons = [f.reason for f in measured.frames]
    assert all("no other frame" in reasons[k] for k in np.flatnonzero(gone))
    found = np.array([f.radius_px for f in measured.frames])
    assert np.isnan(found[gone]).all()
    # A third of its light is enough.
    assert_allclose(found[~gone], TRUTH[~gone], rtol=0.06)


def test_a_lone_star_that_moves_in_every_frame_is_the_same_star(tmp_path):
    rng = np.random.default_rng(73)
    at = [(250.0 + 31 * k, 200.0 + 17 * k * (-1) ** k) for k in range(len(DISCS))]
    frames = lone_star(rng, [9e3] * len(DISCS), at=at, rays=0)
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def test_a_lone_star_that_drifts_a_little_is_measured_where_it_is(tmp_path):
    rng = np.random.default_rng(74)
    at = [(300.0 + dx, 250.0 + dy) for dx, dy in rng.normal(0, 3, (len(DISCS), 2))]
    (measured,) = measure_sweeps([sweep_of(tmp_path, lone_star(rng, [9e3] * len(DISCS), at=at))])
    # Measured where it stood in another frame it comes out up to a third too large.
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def test_a_lone_star_that_drifts_on_and_on_is_followed(tmp_path):
    rng = np.random.default_rng(75)
    at = [(250.0 + 4 * k, 250.0 - k) for k in range(len(DISCS))]
    (measured,) = measure_sweeps([sweep_of(tmp_path, lone_star(rng, [9e3] * len(DISCS), at=at))])
    # Measured where the sharpest frame has it, the first and last frames come out far too large.
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def test_a_lone_star_that_one_frame_has_elsewhere_is_no_speck(tmp_path):
    rng = np.random.default_rng(76)
    frames = lone_star(rng, [9e3] * len(DISCS))
    frames[1], frames[-2] = frames[1][::-1, ::-1], np.roll(frames[-2], 90, axis=1)
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def few_stars(rng, share, rays):
    """Four stars, dimmed to a share of their light in each frame and struck by cosmic rays."""
    places = [(120.0, 130.0), (330.0, 90.0), (240.0, 260.0), (90.0, 330.0)]
    flux = np.array([3e4, 1.5e4, 1.2e4, 1.2e4])
    drawn = (
        draw(SHAPE, places, dim * flux, fine_star(d, obstruction=0.3), rng=rng)[0]
        for d, dim in zip(DISCS, share, strict=True)
    )
    return [strike(image, rng, rays) for image in drawn]


@pytest.mark.parametrize(
    ("seed", "share"),
    # Else 0.66 of the fifth frame's radius, and 0.55 of the third and fifth.
    [(81, (1, 1, 0.3, 0.3, 0.3, 1, 1)), (78, (1, 1, 0.3, 1, 0.3, 1, 1))],
)
def test_cosmic_rays_have_no_say_beside_a_few_stars_in_cloud(tmp_path, seed, share):
    frames = few_stars(np.random.default_rng(seed), share, 4)
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames)])
    assert_allclose([f.radius_px for f in measured.frames], TRUTH, rtol=0.06)


def test_a_broad_bright_trail_is_not_taken_for_the_size_of_the_stars(tmp_path):
    frames, _, _ = images(79, lg_flux=(3.2, 4.2), n=40)
    y, x = np.indices(SHAPE)
    frames[0] += 300 * np.exp(-(((y - 0.8 * x - 60) / 1.28) ** 2) / (2 * 20.0**2))
    (measured,) = measure_sweeps([sweep_of(tmp_path, frames, gain_e_per_adu=1.0)])
    assert measured.frames[0].radius_px == pytest.approx(TRUTH[0], rel=0.15)
