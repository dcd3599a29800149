"""Pixels as read, against the numbers written and those of the standard."""

import gzip

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_array_equal

from starsize.errors import FrameReadError
from starsize.frames import read_facts, read_frame, read_pixels
from starsize.frames.pixels import read_window
from starsize.simulate import write_frame

UNSIGNED = np.array([[0, 32767], [32768, 65535]], np.uint16)


def test_unsigned_16_bit_follows_the_standard(make_fits):
    # FITS standard 4.0, sec. 5.2.5, table 11: stored = value - 32768. DATASUM of this image
    # was computed with astropy.
    path = make_fits(image=UNSIGNED)
    with fits.open(path, do_not_scale_image_data=True) as hdus:
        assert hdus[0].data.ravel().tolist() == [-32768, -1, 0, 32767]
        hdus[0].add_datasum()
        assert hdus[0].header["DATASUM"] == "2147581950"
    image, mask = read_pixels(read_facts(path))
    assert image.dtype == np.float32
    assert mask is None
    assert_array_equal(image, UNSIGNED)
    native, _ = read_pixels(read_facts(path), dtype=None)
    assert native.dtype == np.uint16
    assert_array_equal(native, UNSIGNED)


RNG = np.random.default_rng(7)
SHAPE = (37, 53)
IMAGES = {
    "uint8": RNG.integers(0, 256, SHAPE).astype(np.uint8),
    "int16": RNG.integers(-32768, 32768, SHAPE).astype(np.int16),
    "uint16": RNG.integers(0, 65536, SHAPE).astype(np.uint16),
    "int32": RNG.integers(-(2**23), 2**23, SHAPE).astype(np.int32),
    "uint32": RNG.integers(0, 2**23, SHAPE).astype(np.uint32),
    "int64": RNG.integers(-(2**23), 2**23, SHAPE).astype(np.int64),
    "float32": RNG.normal(1000, 300, SHAPE).astype(np.float32),
    "float64": RNG.normal(1000, 300, SHAPE),
}
NATIVE = {"uint8": "uint8", "int16": "int16", "uint16": "uint16"}


@pytest.mark.parametrize("kind", IMAGES)
@pytest.mark.parametrize(("ending", "extension"), [(".FTS", False), (".fits.gz", True)])
def test_plain_and_gzip_hold_what_was_written(make_fits, kind, ending, extension):
    path = make_fits(f"a{ending}", image=IMAGES[kind], extension=extension)
    frame = read_frame(path)
    assert frame.image.dtype == np.float32
    assert frame.image.dtype.isnative
    assert frame.image.flags.c_contiguous
    assert frame.image.flags.writeable
    assert frame.mask is None
    assert_array_equal(frame.image, IMAGES[kind].astype(np.float32))
    native, _ = read_pixels(frame.facts, dtype=None)
    assert native.dtype == NATIVE.get(kind, "float32")
    assert_array_equal(native, frame.image)


@pytest.mark.parametrize("kind", IMAGES)
@pytest.mark.parametrize("compression", [None, "GZIP_1"])
def test_double_precision_on_request(tmp_path, make_fits, kind, compression):
    if compression and "float" in kind:  # without loss, which is not the writer's own way
        path = write_frame(tmp_path / "a.fz", IMAGES[kind])
    else:
        path = make_fits(image=IMAGES[kind], compression=compression)
    image, _ = read_pixels(read_facts(path), dtype=np.float64)
    assert image.dtype == np.float64
    assert_array_equal(image, IMAGES[kind].astype(np.float64))


@pytest.mark.parametrize(
    ("kind", "compression", "ending"),
    [
        ("uint16", "RICE_1", ".fits.fz"),
        ("uint16", "GZIP_1", ".fz"),
        ("uint16", "GZIP_2", ".fits"),
        ("int16", "RICE_1", ".fits.fz"),
        ("int32", "RICE_1", ".fits.fz"),
        ("int16", "HCOMPRESS_1", ".fits.fz"),
    ],
)
def test_tile_compressed_holds_what_was_written(make_fits, kind, compression, ending):
    image = IMAGES[kind]
    path = make_fits(f"a{ending}", {"FOCUSPOS": 5}, image, compression=compression)
    frame = read_frame(path)
    assert frame.facts.position_steps == 5
    assert frame.facts.shape == SHAPE
    assert_array_equal(frame.image, image.astype(np.float32))
    assert read_pixels(frame.facts, dtype=None)[0].dtype == NATIVE.get(kind, "float32")


@pytest.mark.parametrize("tile", [(1, 53), (16, 16), (37, 53)])
def test_tiles_of_any_shape(tmp_path, tile):
    hdu = fits.CompImageHDU(IMAGES["uint16"], tile_shape=tile)
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(tmp_path / "a.fz")
    assert_array_equal(read_frame(tmp_path / "a.fz").image, IMAGES["uint16"])


@pytest.mark.parametrize("compression", [None, "GZIP_2"])
def test_floats_keep_their_bits_and_nan_is_masked(tmp_path, compression):
    image = IMAGES["float32"].copy()
    image[3, 4], image[5, 6] = np.nan, np.inf
    path = write_frame(tmp_path / "a.fits", image, compressed=compression is not None)
    frame = read_frame(path)
    assert frame.mask is not None
    assert np.argwhere(frame.mask).tolist() == [[3, 4], [5, 6]]
    assert np.isnan(frame.image[frame.mask]).all()
    assert_array_equal(frame.image[~frame.mask], image[~frame.mask])


@pytest.mark.parametrize(("scale", "zero"), [(0.5, 100.0), (2.0, 0.0), (1.0, -12.0), (1.0, 1e6)])
@pytest.mark.parametrize("stored", [np.uint8, np.int16, np.int32])
def test_scaled_integers_are_what_the_standard_makes_of_them(tmp_path, stored, scale, zero):
    hdu = fits.PrimaryHDU(np.arange(24, dtype=stored).reshape(4, 6))
    hdu.header["BSCALE"], hdu.header["BZERO"] = scale, zero
    path = tmp_path / "a.fits"
    hdu.writeto(path)
    # FITS standard 4.0, sec. 4.4.2.5: BZERO + BSCALE times what is stored.
    expected = zero + scale * np.arange(24, dtype=np.float64).reshape(4, 6)
    assert_array_equal(read_frame(path).image, expected.astype(np.float32))


@pytest.mark.parametrize("zero", [0, 32768])
@pytest.mark.parametrize("compressed", [False, True])
def test_blank_pixels_are_masked(tmp_path, zero, compressed):
    # FITS standard 4.0, sec. 4.4.2.5: BLANK is the stored integer of pixels without a value.
    stored = np.arange(24, dtype=np.int16).reshape(4, 6)
    hdu = fits.PrimaryHDU(stored)
    hdu.header["BZERO"] = zero
    hdu.header["BLANK"] = 7
    path = tmp_path / "a.fits"
    hdu.writeto(path)
    if compressed:
        with fits.open(path, do_not_scale_image_data=True) as hdus:
            packed = fits.CompImageHDU(hdus[0].data, hdus[0].header)
            packed.writeto(tmp_path / "b.fits")
        path = tmp_path / "b.fits"
        # The writer forgets BZERO where the data are given unscaled.
        with fits.open(path, disable_image_compression=True, mode="update") as hdus:
            hdus[1].header["BZERO"] = zero
    frame = read_frame(path)
    assert frame.mask is not None
    assert np.argwhere(frame.mask).tolist() == [[1, 1]]
    assert np.isnan(frame.image[1, 1])
    assert_array_equal(frame.image[~frame.mask], (stored + np.float32(zero))[~frame.mask])


def test_a_picture_of_several_blocks_is_whole(make_fits):
    # 2^18 pixels are turned round at once; neither rows nor blocks end together.
    image = np.random.default_rng(5).integers(0, 65536, (701, 811)).astype(np.uint16)
    facts = read_facts(make_fits(image=image))
    np.testing.assert_array_equal(read_pixels(facts, dtype=None)[0], image)
    window = read_window(facts, slice(250, 700), slice(3, 800))
    np.testing.assert_array_equal(window, image[250:700, 3:800])


def test_a_third_axis_of_one_plane_is_a_picture(make_fits):
    image = IMAGES["uint16"][None]
    for name, compression in (("a.fits", None), ("a.fz", "RICE_1")):
        frame = read_frame(make_fits(name, image=image, compression=compression))
        assert_array_equal(frame.image, image[0])


def test_integers_on_request_are_a_mistake_of_the_caller(make_fits):
    with pytest.raises(TypeError, match="'dtype' must be a floating type or None"):
        read_pixels(read_facts(make_fits()), dtype=np.int16)


def test_a_file_that_changed_after_listing_is_not_misread(make_fits):
    facts = read_facts(make_fits())
    facts.path.unlink()
    make_fits(image=np.zeros((6, 4), np.uint16))
    with pytest.raises(FrameReadError, match=r"a\.fits: the file has changed"):
        read_pixels(facts)


def test_gzip_cut_short_is_told_when_the_pixels_are_read(make_fits):
    path = make_fits("a.fits.gz", image=np.tile(IMAGES["uint16"], (20, 20)))
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) // 2])
    facts = read_facts(path)
    with pytest.raises(FrameReadError, match=r"a\.fits\.gz: the file is damaged"):
        read_pixels(facts)


def test_an_intact_gzip_of_a_short_file_is_told(make_fits):
    path = make_fits("a.fits", image=IMAGES["uint16"])
    packed = path.with_name("a.fits.gz")
    packed.write_bytes(gzip.compress(path.read_bytes()[:5000]))
    with pytest.raises(FrameReadError, match=r"a\.fits\.gz: the file is cut short"):
        read_frame(packed)
