"""Write a frame as a FITS file, whole or not at all."""

import contextlib
import os
from collections.abc import Mapping
from os import PathLike
from pathlib import Path

import numpy as np
from astropy.io import fits

from ..errors import OutputError

CardValue = str | int | float | bool | None


def write_frame(
    path: str | PathLike[str],
    image: np.ndarray,
    *,
    cards: Mapping[str, CardValue | tuple[CardValue, str]] | None = None,
    compressed: bool | None = None,
    overwrite: bool = False,
) -> Path:
    """Write one exposure.

    Parameters
    ----------
    path : path
        Where to; its folder must exist.
    image : (ny, nx) array
        uint16 or any other type that FITS knows, in ADU.
    cards : mapping of str to value or (value, comment), optional
        Header entries.
    compressed : bool, optional
        Tile-compressed without loss (Rice for integers, GZIP for floats); by default if the name
        ends in ``.fz``.
    overwrite : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        The file exists already, or cannot be written.
    ValueError
        ``image`` is not two-dimensional.
    """
    path = Path(path)
    if image.ndim != 2:
        msg = f"'image' must have shape (ny, nx), got {image.shape}"
        raise ValueError(msg)
    if path.exists() and not overwrite:
        msg = f"{path}: exists already; choose another name or allow overwriting"
        raise OutputError(msg)
    squeeze = path.suffix.lower() == ".fz" if compressed is None else compressed
    header = fits.Header()
    for keyword, entry in (cards or {}).items():
        # Names longer than eight letters need the HIERARCH convention.
        header[keyword if len(keyword) <= 8 else f"HIERARCH {keyword}"] = entry
    hdus = _hdus(image, header, squeeze)
    # Same folder (so that the rename is atomic) and same ending (it decides about gzip).
    part = path.with_name(f".{path.name}.{os.getpid()}.part{path.suffix}")
    try:
        hdus.writeto(part, overwrite=True)
        part.replace(path)
    except OSError as error:
        msg = f"{path}: cannot be written ({error.strerror or error})"
        raise OutputError(msg) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return path


def _hdus(image: np.ndarray, header: fits.Header, compressed: bool) -> fits.HDUList:
    if not compressed:
        return fits.HDUList([fits.PrimaryHDU(image, header)])
    floating = image.dtype.kind == "f"
    packed = fits.CompImageHDU(
        image,
        header,
        compression_type="GZIP_2" if floating else "RICE_1",
        # Level 0 keeps every bit of a float; the default would round it into its noise.
        quantize_level=0.0,
    )
    return fits.HDUList([fits.PrimaryHDU(), packed])
