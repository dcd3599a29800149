"""The pixels of a frame, read once, in blocks, at little cost in memory."""

import gzip
import hashlib
from os import PathLike
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

import numpy as np
from astropy.io import fits
from numpy.typing import DTypeLike

from ..errors import FrameReadError
from ..setup import Setup
from .facts import facts_from_header
from .frame import Frame, FrameFacts
from .header import open_bytes, read_image_header, told_in_one_line
from .raw import is_raw, raw_pixels

#: Pixels converted at a time: small enough to stay in the processor's cache.
_BLOCK: Final = 1 << 17


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


def content_digest(path: Path) -> str | None:
    """SHA-256 of a file's content; None if it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def read_facts(path: str | PathLike[str], *, setup: Setup | None = None) -> FrameFacts:
    """Read the facts of one file; ``FrameReadError`` if it is not a frame."""
    path = Path(path)
    return facts_from_header(path, read_image_header(path), setup or Setup())


def read_pixels(
    facts: FrameFacts, *, dtype: DTypeLike | None = np.float32
) -> tuple[np.ndarray, np.ndarray | None]:
    """Read the pixels of a frame.

    Parameters
    ----------
    facts : FrameFacts
        Says which file and which part of it.
    dtype : dtype, optional
        float32 (default), or None for the type in which the file's values take the least room
        without loss: uint16 for the frames of most cameras, at half the memory and time.

    Returns
    -------
    image : (ny, nx) array, ADU
        Contiguous, in native byte order. Floating types have NaN where there is no value.
    mask : (ny, nx) bool array or None
        True where there is no value (NaN, infinite, BLANK); None if there is no such pixel.

    Raises
    ------
    FrameReadError
        The file cannot be read, or its pixels are damaged or cut short.
    TypeError
        ``dtype`` is not a floating type.

    Notes
    -----
    One pass over the file, a block at a time; the peak memory is the array returned (of a
    compressed file also its stored values).
    Cost: scripts/bench/bench_frames.py.
    """
    if dtype is not None and np.dtype(dtype).kind != "f":
        msg = f"'dtype' must be a floating type or None, got {dtype}"
        raise TypeError(msg)
    if is_raw(facts.path):
        with told_in_one_line(facts.path):
            image = raw_pixels(facts.path)
        _check_shape(facts, image.shape)
        return image if dtype is None else image.astype(dtype), None
    header = read_image_header(facts.path)
    _check_shape(facts, header.shape)
    with told_in_one_line(facts.path):
        if header.compressed:
            with open_bytes(facts.path) as file, fits.open(file, memmap=False) as hdus:
                return _read_compressed(facts, hdus[header.hdu], dtype)
        with open_bytes(facts.path) as file:
            file.seek(header.start)
            image, mask = _read_plain(facts, file, _layout(header.headers[0]), dtype)
            _read_on(file, header.start + 8 * image.size)
            return image, mask


def _read_on(file: BinaryIO, most: int) -> None:
    """Read a gzip file to its end, where its checksum stands (RFC 1952); give up if that is far."""
    while isinstance(file, gzip.GzipFile) and most > 0 and (part := file.read(1 << 17)):
        most -= len(part)


def _check_shape(facts: FrameFacts, shape: tuple[int, ...]) -> None:
    if shape != facts.shape:
        msg = f"{facts.path}: the file has changed since its header was read"
        raise FrameReadError(msg)


class _Layout(NamedTuple):
    """How the values of an image are stored: value = zero + scale * stored."""

    stored: np.dtype
    scale: float
    zero: float
    blank: int | None

    @property
    def least(self) -> np.dtype:
        """The smallest native type that holds the values without loss (float32 at most)."""
        if self.stored.kind == "f" or self.stored.itemsize > 2 or self.scale != 1:
            return np.dtype(np.float32)
        if self.zero == 32768 and self.stored.itemsize == 2:
            return np.dtype(np.uint16)
        return np.dtype(self.stored.newbyteorder("=") if self.zero == 0 else np.float32)


def _layout(header: fits.Header) -> _Layout:
    """Read BITPIX, BSCALE, BZERO and BLANK (FITS standard 4.0, sec. 4.4.1 and 4.4.2.5)."""
    bits = header["BITPIX"]
    kind = "f" if bits < 0 else ("u" if bits == 8 else "i")
    blank = header.get("BLANK") if bits > 0 else None
    return _Layout(
        np.dtype(f">{kind}{abs(bits) // 8}"),
        float(header.get("BSCALE", 1.0)),
        float(header.get("BZERO", 0.0)),
        blank if isinstance(blank, int) else None,
    )


def _read_plain(
    facts: FrameFacts, file: BinaryIO, layout: _Layout, dtype: DTypeLike | None
) -> tuple[np.ndarray, np.ndarray | None]:
    image = np.empty(facts.shape, dtype or layout.least)
    flat = image.reshape(-1)
    # Values as wide as the stored ones are converted where they lie: one pass less.
    in_place = flat.itemsize == layout.stored.itemsize
    raw = np.empty(0 if in_place else min(_BLOCK, flat.size), layout.stored)
    mask: np.ndarray | None = None
    for first in range(0, flat.size, _BLOCK):
        values = flat[first : first + _BLOCK]
        block = values.view(layout.stored) if in_place else raw[: values.size]
        if _fill(file, block) != block.nbytes:
            msg = f"{facts.path}: the file is cut short in the middle of its pixels; copy it again"
            raise FrameReadError(msg)
        bad = _convert(block, layout, values)
        if bad is not None:
            mask = np.zeros(flat.size, bool) if mask is None else mask
            mask[first : first + values.size] = bad
    return image, None if mask is None else mask.reshape(facts.shape)


def _fill(file: BinaryIO, block: np.ndarray) -> int:
    """Read into a block; compressed streams may hand out less than asked at a time."""
    view = block.view(np.uint8).data
    done = 0
    while done < len(view) and (got := file.readinto(view[done:])):  # type: ignore[attr-defined]
        done += got
    return done


def _convert(block: np.ndarray, layout: _Layout, out: np.ndarray) -> np.ndarray | None:
    """Write the block's physical values into ``out``; return where there is none, if anywhere."""
    if not layout.stored.isnative and layout.stored.itemsize > 1:
        block = block.byteswap(inplace=True).view(layout.stored.newbyteorder())
    bad = None if layout.blank is None else block == layout.blank
    if layout.zero == 32768 and layout.scale == 1 and out.dtype == np.uint16:
        np.bitwise_xor(block.view(np.uint16), np.uint16(0x8000), out=out)
    elif layout.scale == 1 and layout.zero == 0:
        np.copyto(out, block, casting="unsafe")
    elif layout.scale == 1 and layout.stored.itemsize <= 2 and out.dtype == np.float32:
        # Sums of 16-bit integers and a 24-bit offset are exact in float32.
        np.add(block, np.float32(layout.zero), out=out)
    else:
        out[:] = block * layout.scale + layout.zero
    if out.dtype.kind == "f":
        if bad is not None:
            out[bad] = np.nan
        elif layout.stored.kind == "f" and not np.isfinite(out).all():
            bad = ~np.isfinite(out)
            out[bad] = np.nan
    return bad if bad is not None and bad.any() else None


def _read_compressed(
    facts: FrameFacts, hdu: fits.CompImageHDU, dtype: DTypeLike | None
) -> tuple[np.ndarray, np.ndarray | None]:
    """Decompress at one go: band by band takes a third longer (scripts/bench/bench_frames.py)."""
    stored = hdu.data.reshape(facts.shape)
    mask = _bad_pixels(stored, hdu.header.get("BLANK", hdu.header.get("ZBLANK")))
    small = stored.dtype.kind in "ui" and stored.itemsize <= 2
    native = stored.dtype.newbyteorder("=") if small else np.float32
    image = np.ascontiguousarray(stored, dtype or native)
    if mask is not None and image.dtype.kind == "f":
        image[mask] = np.nan
    return image, mask


def _bad_pixels(part: np.ndarray, blank: object) -> np.ndarray | None:
    """Find pixels without a value in what the reader of compressed images hands out."""
    if part.dtype.kind == "f":
        finite = np.isfinite(part)
        return None if finite.all() else ~finite
    if part.dtype == np.uint16 and isinstance(blank, int):
        # Of unsigned integers the reader hands out BLANK as a value.
        bad = part == blank + 32768
        return bad if bad.any() else None
    return None
