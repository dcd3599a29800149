"""FITS files built with astropy, so that the reading is checked by another hand's writing."""

import sys
import warnings

import numpy as np
import pytest
from astropy.io import fits

from starsize.frames import FrameFacts, InputFile

#: Making a symbolic link needs special rights on Windows.
collect_ignore = ["test_links.py"] if sys.platform == "win32" else []


@pytest.fixture
def make_fits(tmp_path):
    """Return a function that writes a FITS file from header entries; it returns the path."""

    def make(name="a.fits", cards=None, image=None, *, extension=False, compression=None):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        image = np.zeros((4, 6), np.uint16) if image is None else image
        header = fits.Header()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # long names become HIERARCH, with a warning
            for key, value in (cards or {}).items():
                header[key] = value
            if compression:
                hdu = fits.CompImageHDU(image, header, compression_type=compression)
                hdus = [fits.PrimaryHDU(), hdu]
            elif extension:
                hdus = [fits.PrimaryHDU(), fits.ImageHDU(image, header)]
            else:
                hdus = [fits.PrimaryHDU(image, header)]
            fits.HDUList(hdus).writeto(path)
        return path

    return make


@pytest.fixture
def make_sweep_files():
    """Return a function that turns (filter, position, minutes) into input files without pixels."""

    def make(shots, **common):
        from pathlib import Path

        return tuple(
            InputFile(
                Path(f"night/f_{i}.fits"),
                FrameFacts(
                    path=Path(f"night/f_{i}.fits"),
                    shape=(10, 10),
                    filter=name,
                    filter_written=name,
                    position_steps=float(position),
                    mid_time_mjd=None if minutes is None else 61000.0 + minutes / 1440,
                    **common,
                ),
            )
            for i, (name, position, minutes) in enumerate(shots, start=1)
        )

    return make
