"""Camera raw files of reflex and mirrorless cameras, read by ``rawpy`` (extra ``raw``)."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import numpy as np
from astropy.io import fits

from ..errors import FrameReadError

#: Endings under which cameras write their raw files.
RAW_ENDINGS: Final = (
    ".3fr", ".arw", ".cr2", ".cr3", ".crw", ".dng", ".erf", ".iiq", ".nef", ".nrw", ".orf", ".pef",
    ".raf", ".rw2", ".srw",
)  # fmt: skip


def is_raw(path: Path) -> bool:
    """Tell whether a file's name ends as camera raw files do."""
    return path.suffix.lower() in RAW_ENDINGS


def raw_header(path: Path) -> fits.Header:
    """Say in the words of a FITS header what a raw file tells of itself.

    Size, colour pattern, ceiling, exposure and the time of the camera's own clock. Filter and
    focuser position no such camera knows: they come from the facts table.

    ``FrameReadError`` if the file cannot be read, or its pixels are not one mosaic of red, green
    and blue.
    """
    with _opened(path) as raw:
        rows, columns = _mosaic(path, raw).shape
        header = fits.Header({"NAXIS": 2, "NAXIS1": columns, "NAXIS2": rows})
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
    with _opened(path) as raw:
        return np.array(_mosaic(path, raw), np.uint16)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        import rawpy
    except ImportError:
        msg = f"{path}: camera raw files need one more package: pip install 'starsize[raw]'"
        raise FrameReadError(msg) from None
    path.open("rb").close()  # says better than rawpy why a file cannot be opened
    try:
        with rawpy.imread(str(path)) as raw:
            yield raw
    except rawpy.LibRawError as error:
        msg = f"{path}: the raw file is damaged, or of a camera that is not known to rawpy"
        raise FrameReadError(msg) from error


def _mosaic(path: Path, raw: Any) -> np.ndarray:
    pattern = raw.raw_pattern
    plain = raw.raw_type.name == "Flat" and (raw.num_colors == 1 or pattern is not None)
    if not plain or (raw.num_colors > 1 and pattern.shape != (2, 2)):
        msg = f"{path}: its pixels are not in squares of red, green, green, blue; convert to FITS"
        raise FrameReadError(msg)
    return np.asarray(raw.raw_image_visible)
