"""Master frames take off what they should, and misfits are told in one clear line."""

import pickle

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.errors import InputError
from starsize.frames import (
    apply_calibration,
    load_calibration,
    read_frame,
)
from starsize.simulate import write_frame

SHAPE = (20, 30)
RNG = np.random.default_rng(5)
BIAS = RNG.normal(500, 5, SHAPE).astype(np.float32)
CURRENT = RNG.gamma(1.0, 2.0, SHAPE).astype(np.float32)  # counts per second
FLAT = RNG.uniform(0.6, 1.2, SHAPE).astype(np.float32)
SKY = RNG.uniform(100, 5000, SHAPE).astype(np.float32)


@pytest.fixture
def masters(tmp_path):
    def write(name, image, **cards):
        return write_frame(tmp_path / name, image, cards=cards)

    return {
        "bias": write("bias.fits", BIAS, IMAGETYP="Bias"),
        "dark": write("dark.fits", BIAS + 10 * CURRENT, IMAGETYP="Dark", EXPTIME=10.0),
        "flat": write("flat.fits", 23000 * FLAT, IMAGETYP="Flat"),
        "write": write,
    }


def light(masters, exposure):
    raw = BIAS + exposure * CURRENT + SKY * FLAT
    return read_frame(masters["write"](f"light_{exposure}.fits", raw, EXPTIME=float(exposure)))


def test_dark_and_flat_give_back_the_sky(masters):
    calibration = load_calibration(dark=masters["dark"], flat=masters["flat"])
    frame = apply_calibration(light(masters, 10), calibration)
    assert_allclose(frame.image, SKY * np.median(FLAT), rtol=1e-4)
    assert frame.mask is None


def test_with_a_bias_the_dark_is_scaled_to_the_exposure(masters):
    calibration = load_calibration(masters["dark"], masters["flat"], masters["bias"])
    frame = apply_calibration(light(masters, 3), calibration)
    assert_allclose(frame.image, SKY * np.median(FLAT), rtol=1e-4)


def test_a_bias_alone_and_a_flat_alone(masters):
    frame = light(masters, 3)
    only_bias = apply_calibration(frame, load_calibration(bias=masters["bias"]))
    assert_allclose(only_bias.image, frame.image - BIAS)
    only_flat = apply_calibration(frame, load_calibration(flat=masters["flat"]))
    assert_allclose(only_flat.image, frame.image * np.median(FLAT) / FLAT, rtol=1e-5)


def test_the_frame_given_is_not_changed(masters):
    frame = light(masters, 10)
    before = frame.image.copy()
    apply_calibration(frame, load_calibration(masters["dark"], masters["flat"]))
    assert_allclose(frame.image, before, rtol=0)


def test_nothing_given_nothing_done(masters):
    frame = light(masters, 10)
    calibration = load_calibration()
    assert calibration.is_empty
    assert apply_calibration(frame, calibration) is frame


def test_a_dark_of_another_exposure_needs_a_bias(masters):
    calibration = load_calibration(dark=masters["dark"])
    message = (
        r"dark\.fits: this dark was exposed for 10 s, light_3\.fits for 3 s; give a dark of that "
        r"exposure, or a bias frame as well"
    )
    with pytest.raises(InputError, match=message):
        apply_calibration(light(masters, 3), calibration)


@pytest.mark.parametrize("exposure", [9.5, 10.5])
def test_ten_percent_of_exposure_are_let_pass(masters, exposure):
    apply_calibration(light(masters, exposure), load_calibration(dark=masters["dark"]))


def test_a_dark_that_does_not_state_its_exposure_is_used_as_it_is(masters):
    dark = masters["write"]("d.fits", BIAS)
    frame = light(masters, 3)
    assert_allclose(apply_calibration(frame, load_calibration(dark)).image, frame.image - BIAS)


@pytest.mark.parametrize("bad", [0.0, -5.0, np.nan])
def test_flat_pixels_without_light_are_masked(masters, bad):
    flat = 23000 * FLAT
    flat[3, 4] = bad
    path = masters["write"]("f.fits", flat)
    frame = apply_calibration(light(masters, 10), load_calibration(flat=path))
    assert np.argwhere(frame.mask).tolist() == [[3, 4]]
    assert np.isnan(frame.image[3, 4])


def test_saturated_pixels_can_still_be_seen(masters):
    raw = np.round(BIAS + SKY * FLAT).astype(np.float32)
    raw[2, 3] = raw[7, 8] = 65535
    flat = 23000 * FLAT
    flat[2, 3], flat[7, 8] = 23000 * 1.2, 23000 * 0.6
    flat_path = masters["write"]("f.fits", flat)
    calibration = load_calibration(flat=flat_path, bias=masters["bias"])
    told = read_frame(masters["write"]("told.fits", raw, SATURATE=65535))
    silent = read_frame(masters["write"]("silent.fits", raw))
    for frame in (told, silent):
        image = apply_calibration(frame, calibration).image
        assert image[2, 3] == image[7, 8] == image.max() >= 65535
    stated = apply_calibration(silent, calibration, saturation_adu=60000.0).image
    assert stated[2, 3] == stated[7, 8] == stated.max() >= 60000


def test_a_misfit_in_size(masters):
    small = masters["write"]("small.fits", BIAS[:10])
    with pytest.raises(InputError, match=r"not of one size \(dark 30 x 10, flat 30 x 20\)"):
        load_calibration(dark=small, flat=masters["flat"])
    message = r"small\.fits: this dark has 30 x 10 pixels, light_10\.fits has 30 x 20; give a dark"
    with pytest.raises(InputError, match=message):
        apply_calibration(light(masters, 10), load_calibration(dark=small))


def test_a_flat_in_place_of_a_dark(masters):
    with pytest.raises(
        InputError, match=r"flat\.fits: is a flat frame by its header, but was give"
    ):
        load_calibration(dark=masters["flat"])


def test_a_flat_without_light(masters):
    path = masters["write"]("f.fits", np.zeros(SHAPE, np.float32))
    with pytest.raises(InputError, match=r"f\.fits: this flat is nowhere above zero"):
        load_calibration(flat=path)


def test_a_missing_master(tmp_path):
    with pytest.raises(InputError, match=r"d\.fits: no such file"):
        load_calibration(dark=tmp_path / "d.fits")


def test_masters_travel_to_other_processes_by_name(masters):
    calibration = load_calibration(masters["dark"], masters["flat"], masters["bias"])
    sent = pickle.dumps(calibration)
    assert len(sent) < 1000
    back = pickle.loads(sent)
    for kind, master in calibration.masters.items():
        assert_allclose(back.masters[kind].image, master.image, rtol=0)
    assert back.masters["dark"].facts.exposure_s == 10
    assert pickle.loads(sent) is back
