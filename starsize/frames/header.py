"""The headers of a FITS file, read without touching its pixels, and camera raw files."""

import gzip
import math
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, Final, TypeVar, cast

import numpy as np
from astropy.io import fits

from ..errors import FrameReadError
from .values import Card

_T = TypeVar("_T")
#: Endings of FITS files, in lower case; ``.gz`` and ``.fz`` also follow one of the others.
FITS_ENDINGS: Final = (".fits", ".fit", ".fts", ".fz", ".gz")
#: Endings under which cameras write their raw files.
RAW_ENDINGS: Final = (
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dng", ".erf", ".iiq", ".nef", ".nrw", ".orf", ".pef",
    ".raf", ".rw2", ".srw",
)  # fmt: skip
#: How a FITS file begins, whatever its name.
FITS_BEGINS: Final = b"SIMPLE  ="
#: Headers are read block by block; the longest has 14,400 entries.
_BLOCK_BYTES, _MOST_BLOCKS = 2880, 400
#: Deflate packs at most 1032 bytes into one (zlib's technical notes); Rice coding packs less.
_DENSEST: Final = 1100


@dataclass(frozen=True, slots=True)
class Place:
    """Where the image of a file lies.

    ``hdu`` is the number of the first header-data unit with an image, ``shape`` its rows and
    columns, ``start`` the first byte of its pixels as stored, ``size`` how many there are;
    ``usual`` says whether they are stored as cameras do: reading these takes no time.
    """

    hdu: int
    shape: tuple[int, int]
    start: int
    size: int
    usual: bool


@dataclass(frozen=True, slots=True)
class ImageHeader:
    """The headers that describe an image, by far the larger part of what is known of a file.

    ``cards`` are the entries by keyword of the image's own header and those of the primary header,
    from which an extension inherits what it lacks.
    """

    place: Place
    cards: Mapping[str, fits.Card]

    def find(self, keywords: Iterable[str]) -> Iterator[Card]:
        """Yield the entries among ``keywords`` that are there, in the order asked."""
        for keyword in keywords:
            if keyword in self.cards:
                yield _told(keyword, self.cards[keyword])

    def first(self, keywords: Iterable[str], read: Callable[[Card], _T | None]) -> _T | None:
        """What the first entry tells that tells anything."""
        return next((told for c in self.find(keywords) if (told := read(c)) is not None), None)


def is_raw(path: Path) -> bool:
    """Tell whether a file's name ends as camera raw files do."""
    return path.suffix.lower() in RAW_ENDINGS


def has_frame_ending(path: Path) -> bool:
    """Tell whether a file's name ends as FITS files or camera raw files do."""
    return path.suffix.lower() in FITS_ENDINGS or is_raw(path)


def read_image_header(path: Path) -> ImageHeader:
    """Find the image in a file, and read the headers that describe it; pixels are not unpacked.

    ``FrameReadError`` if the file is damaged, cut short, or holds no two-dimensional image.
    """
    if path.exists() and not path.is_file():
        raise FrameReadError(f"{path}: not an ordinary file")
    with told_in_one_line(path):
        kept = _kept(path, *_state(path))
        header = _image_header(path)
        kept[:] = [header.place]
        return header


def image_place(path: Path) -> Place:
    """Where the image lies, from memory where the file has not changed since its header was read.

    ``FrameReadError`` as ``read_image_header``.
    """
    kept = []
    with suppress(OSError):  # which is told in words below
        kept = _kept(path, *_state(path))
    return kept[0] if kept else read_image_header(path).place


def _state(path: Path) -> tuple[int, int]:
    state = path.stat()
    return state.st_size, state.st_mtime_ns


@lru_cache(maxsize=4096)
def _kept(_path: Path, _size: int, _changed_ns: int) -> list[Place]:
    """What is known of a file in such a state: one place, or none yet."""
    return []


def _image_header(path: Path) -> ImageHeader:
    if is_raw(path):
        header = _raw_header(path)
        shape = (header["NAXIS2"], header["NAXIS1"])
        return ImageHeader(Place(0, shape, 0, 0, usual=False), _cards(header))
    with open_bytes(path) as file:
        primary = None
        for index, (header, start, size) in enumerate(_units(path, file)):
            primary = primary or header
            axes = _axes(header)
            if len(axes) < 2 or any(n < 1 for n in axes):
                continue
            shape = _plane(path, axes)
            _check_length(path, math.prod(axes), start + size)
            place = Place(index, shape, start, size, _usual(header, shape, size))
            # Of a compressed image the table's header holds all that the image's own did.
            return ImageHeader(place, _cards(header, primary))
    raise FrameReadError(f"{path}: the file holds no image")


def _usual(header: fits.Header, shape: tuple[int, int], size: int) -> bool:
    """Whether pixels have 16 bits and a sign, less 32768 (FITS standard 4.0, table 11)."""
    card = header.get
    return (
        size == 2 * math.prod(shape)
        and (card("BITPIX"), card("BZERO"), card("BSCALE", 1)) == (16, 32768, 1)
        and not any(keyword in header for keyword in ("BLANK", "ZIMAGE"))
    )


def open_bytes(path: Path) -> BinaryIO:
    """Open a file, unpacking it on the way where its name ends in ``.gz``."""
    if path.suffix.lower() == ".gz":
        return cast("BinaryIO", gzip.GzipFile(path))
    return path.open("rb")


@contextmanager
def told_in_one_line(path: Path) -> Iterator[None]:
    """Turn whatever goes wrong in reading a file into one clear line."""
    try:
        # The reader warns about every oddity of a header; what matters is checked by ourselves.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except FrameReadError:
        raise
    except PermissionError as error:
        raise FrameReadError(f"{path}: no permission to read the file") from error
    except FileNotFoundError as error:
        raise FrameReadError(f"{path}: no such file") from error
    except Exception as error:  # a damaged file makes the reader fail in any of its parts
        raise FrameReadError(f"{path}: the file is damaged and cannot be read") from error


def _units(path: Path, file: BinaryIO) -> Iterator[tuple[fits.Header, int, int]]:
    """Header, first byte and size of the data of each unit (FITS standard 4.0, sec. 3)."""
    first = file.read(len(FITS_BEGINS))
    if not first:
        raise FrameReadError(f"{path}: the file is empty (0 bytes)")
    if first != FITS_BEGINS:
        extra = ", whatever its name says" if has_frame_ending(path) else ""
        raise FrameReadError(f"{path}: not a FITS file{extra}")
    file.seek(0)
    while file.peek(1):  # type: ignore[attr-defined]
        header = _next_header(file)
        count = header["NAXIS"]
        pixels = math.prod(header[f"NAXIS{i}"] for i in range(1, count + 1)) if count else 0
        size = abs(header["BITPIX"]) // 8 * header.get("GCOUNT", 1)
        size *= header.get("PCOUNT", 0) + pixels
        if size < 0:  # or the walk would go round for ever
            raise OSError("data of less than nothing")
        start = file.tell()
        yield header, start, size
        file.seek(start + math.ceil(size / _BLOCK_BYTES) * _BLOCK_BYTES)


def _next_header(file: BinaryIO) -> fits.Header:
    """Read one header, and not all of the file where END was lost."""
    blocks = []
    for _ in range(_MOST_BLOCKS):
        blocks.append(block := file.read(_BLOCK_BYTES))
        if any(block[i : i + 80].rstrip() == b"END" for i in range(0, len(block), 80)):
            return fits.Header.fromstring(b"".join(blocks))
        if len(block) < _BLOCK_BYTES:
            break
    raise OSError("a header without END")


def _axes(header: fits.Header) -> tuple[int, ...]:
    """Lengths of the axes of the image, slowest first; () if it holds none."""
    z = "Z" if header.get("ZIMAGE") is True and "SIMPLE" not in header else ""
    if not z and header.get("XTENSION", "IMAGE").strip() != "IMAGE":
        return ()
    return tuple(header[f"{z}NAXIS{i}"] for i in range(header.get(f"{z}NAXIS", 0), 0, -1))


def _plane(path: Path, axes: tuple[int, ...]) -> tuple[int, int]:
    """Rows and columns; a third axis of length one is allowed."""
    *above, rows, columns = axes
    if any(n != 1 for n in above):
        depth = "x".join(str(n) for n in above)
        kind = "a finished colour picture" if above == [3] else "a cube"
        raise FrameReadError(
            f"{path}: {kind} of {depth} planes, not a single exposure; "
            "give the frames as the camera wrote them"
        )
    return rows, columns


def _check_length(path: Path, pixels: int, needed: int) -> None:
    """Find files that were cut short, and those that declare more than they can hold."""
    size = path.stat().st_size
    if path.suffix.lower() != ".gz" and size < needed:
        msg = f"{path}: the file is cut short ({size} bytes of {needed}); copy it again"
        raise FrameReadError(msg)
    if _DENSEST * size < max(needed, pixels):
        msg = f"{path}: a picture of {pixels} pixels cannot be in a file of {size} bytes"
        raise FrameReadError(msg)


def _cards(*headers: fits.Header) -> dict[str, fits.Card]:
    """The entries of headers by keyword; of several the first."""
    found: dict[str, fits.Card] = {}
    for card in (card for header in headers for card in header.cards):
        found.setdefault(card.keyword.upper(), card)
    return found


def _told(keyword: str, card: fits.Card) -> Card:
    """Read one entry; a value that breaks the standard (NaN without quotes) is None."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return Card(keyword, card.value, str(card.comment))
    except Exception:  # a damaged card makes the reader fail anywhere
        return Card(keyword, None)


def _raw_header(path: Path) -> fits.Header:
    """What a raw file tells of itself, as a FITS header."""
    with _opened(path) as (raw, mosaic):
        header = fits.Header({"NAXIS": 2, "NAXIS1": mosaic.shape[1], "NAXIS2": mosaic.shape[0]})
        if raw.num_colors > 1:
            letters = raw.color_desc.decode("ascii", "replace")
            header["BAYERPAT"] = "".join(letters[i] for i in raw.raw_pattern.ravel())
        header["SATURATE"] = raw.white_level
        if raw.other.shutter_speed > 0:
            header["EXPTIME"] = round(float(raw.other.shutter_speed), 6)
        if raw.other.timestamp and raw.other.timestamp.year > 1990:
            header["DATE-OBS"] = raw.other.timestamp.isoformat()
        return header


def raw_pixels(path: Path) -> np.ndarray:
    """Read the pixels of a raw file as the camera wrote them; (ny, nx) uint16 array, ADU."""
    with _opened(path) as (_, mosaic):
        return np.array(mosaic, np.uint16)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[Any, np.ndarray]]:
    """A raw file and its pixels, if they are those of a plain sensor of squares or without."""
    try:
        import rawpy
    except ImportError:
        msg = f"{path}: camera raw files need one more package: pip install 'starsize[raw]'"
        raise FrameReadError(msg) from None
    path.open("rb").close()  # says better than rawpy why a file cannot be opened
    try:
        with rawpy.imread(str(path)) as raw:
            squares = raw.raw_pattern is not None and raw.raw_pattern.shape == (2, 2)
            if raw.raw_type.name != "Flat" or (raw.num_colors > 1 and not squares):
                raise FrameReadError(
                    f"{path}: its pixels are not in squares of red, green, green, blue; "
                    "convert to FITS"
                )
            yield raw, np.asarray(raw.raw_image_visible)
    except rawpy.LibRawError as error:
        msg = f"{path}: the raw file is damaged, or of a camera that is not known to rawpy"
        raise FrameReadError(msg) from error
