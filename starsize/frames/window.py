"""A small window of a frame, read without the rest of it where the file allows."""

import numpy as np
from astropy.io import fits

from ..errors import FrameReadError
from .frame import FrameFacts
from .header import open_bytes, told_in_one_line
from .pixels import read_pixels
from .raw import is_raw


def read_window(facts: FrameFacts, rows: slice, columns: slice) -> np.ndarray:
    """Read some rows and columns of a frame.

    Rows and columns inside the frame, with start and stop; a float32 array in ADU, NaN where there
    is no value: the frame as it was taken, no calibration. ``FrameReadError`` if the file cannot be
    read, is damaged there, or has changed.

    Of a plain or tile-compressed FITS file only what holds the window is read; gzip files and
    camera raw files have to be unpacked as a whole.
    """
    if is_raw(facts.path) or facts.path.suffix.lower() == ".gz":
        return np.array(read_pixels(facts)[0][rows, columns])
    with (
        told_in_one_line(facts.path),
        open_bytes(facts.path) as file,
        fits.open(file, memmap=False) as hdus,
    ):
        if hdus[facts.hdu].shape[-2:] == facts.shape:
            leading = (0,) * (len(hdus[facts.hdu].shape) - 2)
            return np.asarray(hdus[facts.hdu].section[*leading, rows, columns], np.float32)
    msg = f"{facts.path}: the file has changed since its header was read"
    raise FrameReadError(msg)
