"""Master dark, flat and bias frames, applied if the person gives them."""

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
    """Master frames, ready to be applied.

    (ny, nx) float32 arrays or None. ``dark``, ADU, still holds the bias, as the mean of plain dark
    frames does; ``flat`` is divided by its median, NaN where it is not above zero; ``names`` are
    the files that each was read from, for messages.
    """

    dark: np.ndarray | None
    flat: np.ndarray | None
    bias: np.ndarray | None
    dark_exposure_s: float | None
    names: dict[str, str]

    @property
    def is_empty(self) -> bool:
        """True if there is nothing to apply."""
        return not self.masters

    @property
    def masters(self) -> dict[str, np.ndarray]:
        """Those that were given."""
        return {kind: one for kind in _KINDS if (one := getattr(self, kind)) is not None}

    def __reduce__(self) -> tuple[Any, ...]:
        """Travel to another process as file names: three full frames weigh too much."""
        if self.names.keys() == self.masters.keys():
            return _reloaded, tuple(self.names.get(kind) for kind in _KINDS)
        return Calibration, (self.dark, self.flat, self.bias, self.dark_exposure_s, self.names)


def load_calibration(
    dark: str | PathLike[str] | None = None,
    flat: str | PathLike[str] | None = None,
    bias: str | PathLike[str] | None = None,
) -> Calibration:
    """Read master frames.

    Parameters
    ----------
    dark, flat, bias : path, optional
        FITS files with one finished master frame each. The flat is one from which its own dark or
        bias has been taken off.

    Returns
    -------
    Calibration
        What was given; None for the rest.

    Raises
    ------
    InputError
        A file cannot be read, is by its header of another kind, the sizes differ, or the flat is
        nowhere above zero.

    Examples
    --------
    >>> masters = load_calibration(dark="dark_2s.fits")  # doctest: +SKIP
    """
    paths = {k: Path(p) for k, p in zip(_KINDS, (dark, flat, bias), strict=True) if p is not None}
    masters = {kind: _master(kind, path) for kind, path in paths.items()}
    shapes = {kind: frame.image.shape for kind, frame in masters.items()}
    if len(set(shapes.values())) > 1:
        sizes = ", ".join(f"{kind} {_size(shape)}" for kind, shape in shapes.items())
        raise InputError(f"the calibration frames are not of one size ({sizes})")
    images = {k: _normalised(one) if k == "flat" else one.image for k, one in masters.items()}
    return Calibration(
        **dict.fromkeys(_KINDS) | images,
        dark_exposure_s=masters["dark"].facts.exposure_s if "dark" in masters else None,
        names={kind: str(path) for kind, path in paths.items()},
    )


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
        if master.shape != frame.image.shape:
            raise InputError(
                f"{calibration.names[kind]}: this {kind} has {_size(master.shape)} pixels, "
                f"{frame.facts.path.name} has {_size(frame.image.shape)}; "
                f"give a {kind} of the same size and binning, or none"
            )
    image = _without_pedestal(frame, calibration)
    if calibration.flat is not None:
        image /= calibration.flat
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
    return read_frame(path)


def _normalised(flat: Frame) -> np.ndarray:
    good = flat.image[np.isfinite(flat.image) & (flat.image > 0)]
    if good.size == 0:
        raise InputError(f"{flat.facts.path}: this flat is nowhere above zero")
    image = flat.image / np.float32(np.median(good))
    image[~(image > 0)] = np.nan
    return image


def _without_pedestal(frame: Frame, calibration: Calibration) -> np.ndarray:
    """Return a new image without bias and without the dark current of the frame's exposure."""
    dark, bias = calibration.dark, calibration.bias
    if dark is None:
        return frame.image.copy() if bias is None else frame.image - bias
    wanted, has = frame.facts.exposure_s, calibration.dark_exposure_s
    if wanted is None or has is None or abs(wanted - has) <= _EXPOSURE_TOLERANCE * has:
        return frame.image - dark
    if bias is None or has <= 0:
        raise InputError(
            f"{calibration.names['dark']}: this dark was exposed for {has:g} s, "
            f"{frame.facts.path.name} for {wanted:g} s; give a dark of that exposure, "
            "or a bias frame as well, with which it can be scaled"
        )
    # frame - bias - (dark - bias) wanted / has, with one new array only.
    image = bias - dark
    image *= np.float32(wanted / has)
    image += frame.image
    image -= bias
    return image


def _size(shape: tuple[int, ...]) -> str:
    return f"{shape[1]} x {shape[0]}"
