"""The pixels of a frame."""

import gzip
import hashlib
import io
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
from astropy.io import fits
from numpy.typing import DTypeLike
from xxhash import xxh3_128

from ..errors import FrameReadError
from ..setup import Setup, given_setup
from .facts import facts_from_header
from .frame import Frame, FrameFacts
from .header import (
    Place,
    image_place,
    is_raw,
    open_bytes,
    raw_pixels,
    read_image_header,
    told_in_one_line,
)

#: Pixels as cameras store them (FITS standard 4.0, table 11): with a sign, less 32768.
_AS_STORED: Final = np.dtype(">u2")
_SIGN: Final = np.array(0x8000, _AS_STORED).view(np.uint16)
#: So many are turned round at once: while they are in the processor's cache that takes no time.
_AT_ONCE: Final = 1 << 18


def read_frame(source: FrameFacts | str | PathLike[str]) -> Frame:
    """Read one exposure.

    Parameters
    ----------
    source : FrameFacts or path
        Facts from ``list_frames``, or a file, whose headers are then read first.

    Returns
    -------
    Frame
        ``image`` is a contiguous (ny, nx) float32 array in ADU, NaN where the file has no value;
        ``mask`` is True there, or None if every pixel has a value.

    Raises
    ------
    FrameReadError
        The file cannot be read, or its pixels are damaged.

    Examples
    --------
    >>> read_frame("light_0001.fits").image.shape  # doctest: +SKIP
    (4176, 6248)
    """
    facts = source if isinstance(source, FrameFacts) else read_facts(source)
    image, mask = read_pixels(facts)
    return Frame(image, facts, mask)


def read_facts(path: str | PathLike[str], *, setup: Setup | None = None) -> FrameFacts:
    """Read the facts of one file; ``FrameReadError`` if it is not a frame."""
    path = Path(path)
    return facts_from_header(path, read_image_header(path), given_setup(setup))


def content_digest(path: Path) -> str | None:
    """Hash of 128 bits that tells contents of files apart; None if one cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, xxh3_128).hexdigest()
    except OSError:
        return None


def read_pixels(
    facts: FrameFacts, *, dtype: DTypeLike | None = np.float32
) -> tuple[np.ndarray, np.ndarray | None]:
    """Read the pixels of a frame: a contiguous (ny, nx) array in ADU, and a mask.

    ``dtype`` is a floating type, or None for the one in which the file's values take the least
    room: uint16 for most cameras, at half the memory and time. The (ny, nx) bool mask is True where
    there is no value (NaN, infinite, BLANK), or None. ``FrameReadError`` if the file is damaged.
    """
    if dtype is not None and np.dtype(dtype).kind != "f":
        raise TypeError(f"'dtype' must be a floating type or None, got {dtype}")
    if is_raw(facts.path):
        with told_in_one_line(facts.path):
            image = raw_pixels(facts.path)
        _check_shape(facts, image.shape)
        return image if dtype is None else image.astype(dtype), None
    place = image_place(facts.path)
    _check_shape(facts, place.shape)
    with told_in_one_line(facts.path), open_bytes(facts.path) as file:
        if isinstance(file, gzip.GzipFile):
            file = _unpacked(facts.path, file, place)
        elif place.usual:
            image = _stored(file, place, slice(0, facts.shape[0]))
            return image if dtype is None else image.astype(dtype), None
        with fits.open(file, memmap=False) as hdus:
            return _values(hdus[place.hdu], facts.shape, dtype)


def read_window(facts: FrameFacts, rows: slice, columns: slice) -> np.ndarray:
    """Read some rows and columns of a frame, uncalibrated: float32, ADU, NaN without a value.

    ``FrameReadError`` if the file cannot be read, is damaged there, or has changed.
    """
    if is_raw(facts.path) or facts.path.suffix.lower() == ".gz":
        return np.array(read_pixels(facts)[0][rows, columns])
    place = image_place(facts.path)
    _check_shape(facts, place.shape)
    with told_in_one_line(facts.path), open_bytes(facts.path) as file:
        if place.usual:
            return _stored(file, place, rows)[:, columns].astype(np.float32)
        with fits.open(file, memmap=False) as hdus:
            leading = (0,) * (len(hdus[place.hdu].shape) - 2)
            return np.asarray(hdus[place.hdu].section[*leading, rows, columns], np.float32)


def _check_shape(facts: FrameFacts, shape: tuple[int, ...]) -> None:
    if shape != facts.shape:
        raise FrameReadError(f"{facts.path}: the file has changed since its header was read")


def _stored(file: BinaryIO, place: Place, rows: slice) -> np.ndarray:
    """Rows of an image whose pixels are stored as cameras do."""
    image = np.empty((rows.stop - rows.start, place.shape[1]), np.uint16)
    pixels = image.reshape(-1)
    file.seek(place.start + _AS_STORED.itemsize * place.shape[1] * rows.start)
    for first in range(0, pixels.size, _AT_ONCE):
        part = pixels[first : first + _AT_ONCE]
        stored = np.fromfile(file, np.uint16, part.size)
        stored ^= _SIGN
        part[:] = stored.view(_AS_STORED)
    return image


def _unpacked(path: Path, file: BinaryIO, place: Place) -> BinaryIO:
    """The content of a gzip file, read beyond the image, for its checksum stands at the end."""
    needed = place.start + place.size
    content = file.read(2 * needed)  # RFC 1952; give up if the end is far
    if len(content) < needed:
        msg = f"{path}: the file is cut short in the middle of its pixels; copy it again"
        raise FrameReadError(msg)
    return io.BytesIO(content)


def _values(
    hdu: Any, shape: tuple[int, int], dtype: DTypeLike | None
) -> tuple[np.ndarray, np.ndarray | None]:
    blank = hdu.header.get("BLANK", hdu.header.get("ZBLANK"))
    stored = hdu.data.reshape(shape)  # leading axes of length one are no planes of their own
    small = stored.dtype.kind in "ui" and stored.itemsize <= 2
    native = stored.dtype.newbyteorder("=") if small else np.dtype(np.float32)
    image = np.require(stored, dtype or native, ["C", "W"])
    if stored.dtype == np.uint16 and isinstance(blank, int):
        bad = stored == blank + 32768  # of unsigned integers the reader hands out BLANK as a value
    else:
        bad = ~np.isfinite(image) if stored.dtype.kind == "f" else np.zeros(0, bool)
    if not bad.any():
        return image, None
    if image.dtype.kind == "f":
        image[bad] = np.nan
    return image, bad
