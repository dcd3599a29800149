"""Master dark, flat and bias frames, applied if the person gives them."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np

from ..errors import InputError
from .facts import kind_in_header
from .frame import Frame, FrameKind
from .header import read_image_header
from .pixels import read_frame

#: A dark of another exposure than the frame's, by more than this, does not fit as it is.
_EXPOSURE_TOLERANCE: Final = 0.1
_KINDS: Final[tuple[FrameKind, ...]] = ("dark", "flat", "bias")


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """Master frames by kind, ready to be applied.

    The dark still holds the bias, as the mean of plain dark frames does; the flat is divided by its
    median, NaN where it is not above zero.
    """

    masters: Mapping[FrameKind, Frame]

    @property
    def is_empty(self) -> bool:
        """True if there is nothing to apply."""
        return not self.masters

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel to another process as file names: three full frames weigh too much."""
        paths = {kind: str(master.facts.path) for kind, master in self.masters.items()}
        return _reloaded, tuple(paths.get(kind) for kind in _KINDS)


def load_calibration(
    dark: str | PathLike[str] | None = None,
    flat: str | PathLike[str] | None = None,
    bias: str | PathLike[str] | None = None,
) -> Calibration:
    """Read master frames.

    Parameters
    ----------
    dark, flat, bias : path, optional
        FITS files with one finished master frame each, the flat without its own dark or bias.

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        A file cannot be read, is by its header of another kind, the sizes differ, or the flat is
        nowhere above zero.

    Examples
    --------
    >>> masters = load_calibration(dark="dark_2s.fits")  # doctest: +SKIP
    """
    paths = zip(_KINDS, (dark, flat, bias), strict=True)
    masters = {kind: _master(kind, Path(path)) for kind, path in paths if path is not None}
    if len({master.image.shape for master in masters.values()}) > 1:
        sizes = ", ".join(f"{kind} {_size(master)}" for kind, master in masters.items())
        raise InputError(f"the calibration frames are not of one size ({sizes})")
    return Calibration(masters)


def apply_calibration(
    frame: Frame, calibration: Calibration, *, saturation_adu: float | None = None
) -> Frame:
    """Take dark and bias off a frame and divide it by the flat.

    Parameters
    ----------
    frame : Frame
        As read.
    calibration : Calibration
        From ``load_calibration``.
    saturation_adu : float, optional
        Ceiling of the raw values; by default the header's, else the highest value in the frame if
        more than one pixel has it.

    Returns
    -------
    Frame
        New image; masked and NaN where a calibration frame has no value. Pixels that stood at the
        ceiling before are still the highest after, so that saturation can be seen as before.

    Raises
    ------
    InputError
        Sizes differ, or the dark's exposure differs by more than 10 % and there is no bias frame
        with which to scale it.

    Examples
    --------
    >>> masters = load_calibration(dark="dark_2s.fits")  # doctest: +SKIP
    >>> frame = apply_calibration(read_frame("light_0001.fits"), masters)  # doctest: +SKIP
    """
    if calibration.is_empty:
        return frame
    for kind, master in calibration.masters.items():
        if master.image.shape != frame.image.shape:
            raise InputError(
                f"{master.facts.path}: this {kind} has {_size(master)} pixels, "
                f"{frame.facts.path.name} has {_size(frame)}; "
                f"give a {kind} of the same size and binning, or none"
            )
    masters = calibration.masters
    image = _without_pedestal(frame, masters.get("dark"), masters.get("bias"))
    if "flat" in masters:
        image /= masters["flat"].image
    bad = ~np.isfinite(image)
    image[bad] = np.nan
    ceiling = saturation_adu or frame.facts.saturation_adu
    if ceiling is None:
        # The highest value, if it occurs more than once, is the converter's end, not a star.
        highest = float(np.nanmax(frame.image, initial=-np.inf))
        ceiling = highest if np.count_nonzero(frame.image == highest) > 1 else np.inf
    full = (frame.image >= ceiling) & ~bad
    if full.any():
        image[full] = max(ceiling, float(np.nanmax(image)))
    if frame.mask is not None:
        bad |= frame.mask
    return replace(frame, image=image, mask=bad if bad.any() else None)


@lru_cache(maxsize=1)
def _reloaded(dark: str | None, flat: str | None, bias: str | None) -> Calibration:
    """Read the master frames once in each process."""
    return load_calibration(dark, flat, bias)


def _master(kind: FrameKind, path: Path) -> Frame:
    stated = kind_in_header(read_image_header(path))
    if stated not in (None, "light", kind):
        raise InputError(f"{path}: is a {stated} frame by its header, but was given as {kind}")
    master = read_frame(path)
    if kind != "flat":
        return master
    good = master.image[np.isfinite(master.image) & (master.image > 0)]
    if good.size == 0:
        raise InputError(f"{path}: this flat is nowhere above zero")
    image = master.image / np.float32(np.median(good))
    image[~(image > 0)] = np.nan
    return replace(master, image=image)


def _without_pedestal(frame: Frame, dark: Frame | None, bias: Frame | None) -> np.ndarray:
    """Return a new image without bias and without the dark current of the frame's exposure."""
    if dark is None:
        return frame.image.copy() if bias is None else frame.image - bias.image
    wanted, has = frame.facts.exposure_s, dark.facts.exposure_s
    if wanted is None or has is None or abs(wanted - has) <= _EXPOSURE_TOLERANCE * has:
        return frame.image - dark.image
    if bias is None or has <= 0:
        raise InputError(
            f"{dark.facts.path}: this dark was exposed for {has:g} s, "
            f"{frame.facts.path.name} for {wanted:g} s; give a dark of that exposure, "
            "or a bias frame as well, with which it can be scaled"
        )
    # frame - bias - (dark - bias) wanted / has, with one new array only.
    image = bias.image - dark.image
    image *= np.float32(wanted / has)
    image += frame.image
    image -= bias.image
    return image


def _size(frame: Frame) -> str:
    return f"{frame.image.shape[1]} x {frame.image.shape[0]}"
