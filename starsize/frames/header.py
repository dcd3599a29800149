"""The headers of a FITS file, read without touching its pixels."""

import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from astropy.io import fits
from astropy.io.fits.verify import VerifyError

from ..errors import FrameReadError
from .values import Card

#: Endings of FITS files, in lower case; ``.gz`` and ``.fz`` also follow one of the others.
FITS_ENDINGS = (".fits", ".fit", ".fts", ".fz", ".gz")


@dataclass(frozen=True, slots=True)
class ImageHeader:
    """Where the image of a file lies, and the headers that describe it.

    Attributes
    ----------
    hdu : int
        Number of the header-data unit with the image: the first that has one.
    shape : (int, int)
        Rows and columns.
    headers : tuple of fits.Header
        The image's own header, then the primary one: an extension inherits what it lacks.
    """

    hdu: int
    shape: tuple[int, int]
    headers: tuple[fits.Header, ...]

    def find(self, keywords: Iterable[str]) -> Iterator[Card]:
        """Yield the entries among ``keywords`` that are there, in the order asked."""
        for keyword in keywords:
            for header in self.headers:
                if keyword in header:
                    yield _card(header, keyword)
                    break


def has_fits_ending(path: Path) -> bool:
    """Tell whether a file's name ends as FITS files do."""
    return path.suffix.lower() in FITS_ENDINGS


def read_image_header(path: Path) -> ImageHeader:
    """Find the image in a FITS file and read the headers that describe it.

    Raises
    ------
    FrameReadError
        The file is not FITS, is damaged or cut short, or holds no two-dimensional image.
    """
    with open_fits(path) as hdus:
        index, hdu = _first_image(path, hdus)
        shape = _plane(path, hdu)
        _check_length(path, hdus, index)
        primary = hdus[0].header
        headers = (hdu.header,) if index == 0 else (hdu.header, primary)
        return ImageHeader(index, shape, headers)


@contextmanager
def open_fits(path: Path) -> Iterator[fits.HDUList]:
    """Open a FITS file; whatever goes wrong while it is open is told in one clear line."""
    try:
        # The reader warns about every oddity of a header; what matters is checked by ourselves.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fits.open(path, memmap=False, lazy_load_hdus=True) as hdus:
                yield hdus
    except FrameReadError:
        raise
    except PermissionError as error:
        msg = f"{path}: no permission to read the file"
        raise FrameReadError(msg) from error
    except FileNotFoundError as error:
        msg = f"{path}: no such file"
        raise FrameReadError(msg) from error
    except Exception as error:
        # A damaged file makes the reader fail in any of its parts, with any exception.
        msg = f"{path}: {_fault(path)}"
        raise FrameReadError(msg) from error


def _fault(path: Path) -> str:
    try:
        with path.open("rb") as file:
            start = file.read(9)
    except OSError:
        return "the file cannot be read"
    if not start:
        return "the file is empty (0 bytes)"
    if start.startswith((b"SIMPLE  =", b"\x1f\x8b")):
        return "the file is damaged and cannot be read"
    return "not a FITS file" + (", whatever its name says" if has_fits_ending(path) else "")


def _first_image(path: Path, hdus: fits.HDUList) -> tuple[int, fits.hdu.base.ExtensionHDU]:
    index = 0
    while True:
        try:
            hdu = hdus[index]
        except IndexError:
            msg = f"{path}: the file holds no image"
            raise FrameReadError(msg) from None
        if getattr(hdu, "is_image", False) and len(hdu.shape) >= 2 and 0 not in hdu.shape:
            return index, hdu
        index += 1


def _plane(path: Path, hdu: fits.PrimaryHDU) -> tuple[int, int]:
    """Rows and columns; a third axis of length one is allowed."""
    *above, rows, columns = hdu.shape
    if any(n != 1 for n in above):
        depth = "x".join(str(n) for n in above)
        kind = "a finished colour picture" if above == [3] else "a cube"
        msg = (
            f"{path}: {kind} of {depth} planes, not a single exposure; "
            "give the frames as the camera wrote them"
        )
        raise FrameReadError(msg)
    return rows, columns


def _check_length(path: Path, hdus: fits.HDUList, index: int) -> None:
    """Find files that were cut short without reading them (gzip tells only on reading)."""
    if path.suffix.lower() == ".gz":
        return
    info = hdus.fileinfo(index)
    header = hdus[index].header
    compressed = isinstance(hdus[index], fits.CompImageHDU)
    # The last block need not be filled up: the pixels are there all the same.
    padding = 2880 if compressed else info["datSpan"] - _data_bytes(header, hdus[index].shape)
    needed = info["datLoc"] + info["datSpan"] - padding
    if (size := path.stat().st_size) < needed:
        msg = f"{path}: the file is cut short ({size} bytes of at least {needed}); copy it again"
        raise FrameReadError(msg)


def _data_bytes(header: fits.Header, shape: tuple[int, ...]) -> int:
    pixels = 1
    for n in shape:
        pixels *= n
    return pixels * abs(header["BITPIX"]) // 8


def _card(header: fits.Header, keyword: str) -> Card:
    """Read one entry; a value that breaks the standard (NaN without quotes) is None."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            card = header.cards[keyword]
            return Card(keyword, card.value, str(card.comment))
    except (VerifyError, ValueError):
        return Card(keyword, None)
