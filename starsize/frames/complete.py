"""What the setup file lacks, taken from the frames' headers where these agree."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from ..estimate import Notice
from ..setup import Setup
from .frame import FrameFacts, InputFile

#: Headers repeat what was typed once: more than this apart is a contradiction, not rounding.
_RELATIVE_TOLERANCE: Final = 0.02
#: Fewer than this share of the frames do not decide for all.
_FEW: Final = 0.25


#: Table and key of the setup, and how people call the figure; the facts have the same key.
_ITEMS: Final = (
    ("telescope", "focal_length_mm", "focal length (mm)"),
    ("telescope", "aperture_mm", "aperture (mm)"),
    ("camera", "pixel_um", "pixel size (um)"),
    ("camera", "gain_e_per_adu", "gain (electrons per count)"),
    ("camera", "read_noise_e", "read noise (electrons)"),
    ("camera", "saturation_adu", "saturation level (counts)"),
    ("focuser", "um_per_step", "step size (um)"),
)


def complete_setup(setup: Setup, files: Iterable[InputFile]) -> tuple[Setup, tuple[Notice, ...]]:
    """Fill in what the setup lacks from the headers of the usable frames.

    Parameters
    ----------
    setup : Setup
        What the person stated; it always wins.
    files : iterable of InputFile
        From ``list_frames``.

    Returns
    -------
    setup : Setup
        With focal length, aperture, pixel size, gain, read noise, saturation level and step size
        from the headers, each only if the headers that state it agree to 2 %, but for a few.
    notices : tuple of Notice
        ``headers_disagree`` (with each other: nothing taken), ``setup_against_headers``,
        ``pixel_binning``.

    Notes
    -----
    XPIXSZ is taken to be the pitch of the pixels as they are in the file, binning included, as
    most writers do (common practice); where the frames are binned a notice says so.

    Examples
    --------
    >>> from pathlib import Path
    >>> from starsize.frames.frame import FrameFacts
    >>> facts = FrameFacts(path=Path("a.fits"), pixel_um=3.76)
    >>> known, notices = complete_setup(Setup(), [InputFile(Path("a.fits"), facts)])
    >>> known.camera.pixel_um
    3.76
    """
    facts = [file.facts for file in files if file.usable and file.facts is not None]
    notices: list[Notice] = []
    for item in _ITEMS:
        setup, told = _complete_item(setup, *item, facts)
        notices.extend(told)
    binned = sorted({one.binning for one in facts if one.binning > 1 and one.pixel_um})
    if binned and setup.camera.pixel_um is not None:
        text = (
            f"The frames are binned {binned[0]} x {binned[0]}; {setup.camera.pixel_um:g} um is "
            "taken as the size of the binned pixel. If it is that of the bare pixel, state "
            "pixel_um under [camera] in the setup file, binning included."
        )
        notices.append(Notice("pixel_binning", text))
    return setup, tuple(notices)


def _complete_item(
    setup: Setup, table: str, key: str, words: str, facts: Sequence[FrameFacts]
) -> tuple[Setup, list[Notice]]:
    values = [v for one in facts if (v := getattr(one, key)) is not None]
    if not values:
        return setup, []
    stated = getattr(getattr(setup, table), key)
    low, high = min(values), max(values)
    agree = high - low <= _RELATIVE_TOLERANCE * high
    if stated is not None:
        if max(abs(high - stated), abs(low - stated)) <= _RELATIVE_TOLERANCE * stated:
            return setup, []
        said = f"{low:g}" if agree else f"{low:g} to {high:g}"
        text = f"The setup gives {stated:g} as {words}, the headers {said}; the setup is used."
        return setup, [Notice("setup_against_headers", text)]
    # The most frequent figure, so that the order of the frames does not matter.
    usual = max(sorted(set(values)), key=values.count)
    others = [v for v in values if abs(v - usual) > _RELATIVE_TOLERANCE * usual]
    text = ""
    if len(others) < _FEW * len(values):
        setup = replace(setup, **{table: replace(getattr(setup, table), **{key: usual})})
        if not agree:
            text = (
                f"{len(others)} of {len(values)} headers give another {words} ({others[0]:g}, for "
                f"one) than {usual:g}; {usual:g} is used."
            )
    elif key == "pixel_um" and len({one.binning for one in facts}) > 1:
        text = (
            f"The frames are binned differently, so their pixels differ ({low:g} to {high:g} um); "
            "none is used. Measure frames of one binning at a time."
        )
    else:
        text = (
            f"The headers do not agree on the {words}: {low:g} to {high:g}; none is used. "
            f"State {key} under [{table}] in the setup file."
        )
    return setup, [Notice("headers_disagree", text)] if text else []
