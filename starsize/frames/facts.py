"""Facts of a frame from its headers: the keywords in use, in the order in which they are believed.

The FITS standard 4.0 (2018) reserves DATE-OBS, DATE-BEG, DATE-AVG, MJD-OBS, MJD-BEG, MJD-AVG,
TIMESYS, XPOSURE and DATAMAX; it does not reserve EXPTIME, EXPOSURE, FILTER, GAIN or any keyword
of focus. These are common practice: the focus spellings were collected from public headers, a few
others are from memory. Names longer than eight letters are HIERARCH keywords.
"""

import math
import re
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from ..filters import canonical_filter
from ..setup import FASTEST, PLAUSIBLE, SLOWEST, Setup
from . import values
from .frame import FrameFacts, FrameKind
from .header import ImageHeader

#: Hold a focuser position in steps; whole or fractional, text or number.
_STEPS: Final = ("FOCUSPOS", "FOCPOS", "FOCPOSN", "FOC-POS", "FOCSTEP")
#: May hold steps, millimetres, metres or the focuser's name: only what looks like steps counts.
_LOOSE: Final = ("FOCUS", "FOCUSER", "TELFOCUS", "FOCDMD", "ALFOCUS", "ESO TEL FOCU VALUE")
#: Always a length: never a position, but worth a word to the person.
_LENGTH: Final = ("FOC-VAL",)
#: At the focuser or of the tube (not of the sensor); of the air.
_FOCUSER_DEGC: Final = (
    "FOCTEMP", "FOCUSTEM", "FOCUSTMP", "FOC-TEMP", "ESO INS FOCU2 TEMP", "MSURTEMP", "LWTRTEMP",
    "UPTRTEMP",
)  # fmt: skip
_AIR_DEGC: Final = (
    "AMBTEMP", "AMB-TEMP", "AMB_TEMP", "AIRTEMP", "OUTTEMP", "ESO TEL AMBI TEMP", "MAIRTEMP",
)  # fmt: skip
_FILTER: Final = ("FILTER", "FILTNAME", "ESO INS FILT1 NAME")
#: Wheels in series: the one that does not stand open counts.
_WHEELS: Final = ("FILTER1", "FILTER2", "FILTER3")
_OPEN: Final = frozenset({"open", "empty", "clear", "air", "none", "hole", "blank"})
_EXPOSURE: Final = ("EXPTIME", "EXPOSURE", "XPOSURE", "EXP_TIME", "EXP-TIME", "ITIME")
_START: Final = ("DATE-OBS", "DATE-BEG", "DATE_OBS")
#: Time of day, for writers that put only the day into DATE-OBS.
_CLOCK: Final = ("TIME-OBS", "UT", "UTC", "UTSTART", "UTC-OBS", "TIME-BEG")
_KIND: Final = ("IMAGETYP", "IMAGETYPE", "FRAME", "FRAMETYP", "OBSTYPE", "IMGTYPE", "ESO DPR TYPE")
_RATIO: Final = ("FOCRATIO", "FRATIO")
#: What the equipment is, by the name of its figure. Many cameras write a unitless setting as GAIN.
_FIGURES: Final = {
    "pixel_um": ("XPIXSZ", "PIXSIZE1", "PIXSIZE", "PIXSZ"),
    "focal_length_mm": ("FOCALLEN", "FOCLEN", "FOCAL"),
    "aperture_mm": ("APTDIA",),
    "um_per_step": ("FOCUSSZ", "FOCUSSSZ", "FOCSTPSZ"),
    "gain_e_per_adu": ("EGAIN",),
    "read_noise_e": ("RDNOISE", "READNOIS", "READNOI", "RON", "RDNOISE1"),
    "saturation_adu": ("SATURATE", "SATLEVEL", "SATURAT", "ESO DET SATLEVEL"),
}

_KIND_WORDS: Final[tuple[tuple[str, FrameKind], ...]] = (
    # Order matters: a "dark flat" is a dark.
    (r"dark", "dark"),
    (r"bias|zero|^\W*(master)?\W*offset", "bias"),
    (r"light|object|science|target|focus|expose", "light"),
    (r"flat", "flat"),
    (r"sky", "light"),
)
_NAME_TOKEN: Final = re.compile(r"(?:master)?(?:dark|bias|flat|zero)s?(?:frame|field)?s?")
#: Ceilings of converters of 12 to 16 bits, also left-aligned in 16 bits.
_CEILINGS: Final = frozenset({4095.0, 16383.0, 65535.0, 65504.0, 65520.0, 65532.0})
#: Words of a position in steps, but not of a focal length, ratio, temperature or step size.
_LIKE_POSITION: Final = re.compile(
    r"(?!.*(LEN|RAT|TEM|TMP|SZ|SIZE|ANG))[\w -]*(FOC|STEP|POS)[\w -]*"
)
_PER_ELECTRON: Final = re.compile(r"\be-?\s*/|electrons?\s*(?:/|per)|photons?\s*/", re.IGNORECASE)


def facts_from_header(path: Path, header: ImageHeader, setup: Setup) -> FrameFacts:
    """Collect what the headers of one file tell, and tell credibly; None for the rest."""
    told: dict[str, Any] = {name: _figure(header, k, name) for name, k in _FIGURES.items()}
    ratio, focal = _within(header, _RATIO, FASTEST, SLOWEST), told["focal_length_mm"]
    told["aperture_mm"] = told["aperture_mm"] or (focal / ratio if focal and ratio else None)
    if told["gain_e_per_adu"] is None:
        stated = [c.keyword for c in header.find(("GAIN",)) if _PER_ELECTRON.search(c.comment)]
        told["gain_e_per_adu"] = _figure(header, stated, "gain_e_per_adu")
    # What is no converter's end is the brightest pixel of this very frame.
    highest = _number(header, ("DATAMAX",))
    told["saturation_adu"] = told["saturation_adu"] or (highest if highest in _CEILINGS else None)
    exposure = _number(header, (*_own(setup, "exposure"), *_EXPOSURE))
    exposure = exposure if exposure is not None and 0 <= exposure <= values.LONGEST_S else None
    probe = header.first((*_own(setup, "temperature"), *_FOCUSER_DEGC), values.celsius)
    air = ambient_temperature(header) if probe is None else None
    written = _filter(header, setup)
    position, keyword = _position(header, setup)
    airmass = _within(header, ("AIRMASS", "ESO TEL AIRM START"), 1.0, 10.0)
    # As in flat layers of air.
    by_airmass = math.degrees(math.asin(1 / airmass)) if airmass else None
    altitude = _within(header, ("OBJCTALT", "CENTALT", "TELALT", "ESO TEL ALT"), 0.1, 90.0)
    return FrameFacts(
        path=path,
        kind=_kind(path, header, exposure),
        hdu=header.place.hdu,
        camera=_word(header, ("INSTRUME",)),
        shape=header.place.shape,
        filter=canonical_filter(written, aliases=setup.aliases) if written else None,
        filter_written=written,
        position_steps=position,
        position_from=keyword,
        temperature_degC=air if probe is None else probe,
        temperature_of="focuser" if probe is not None else "ambient" if air is not None else None,
        exposure_s=exposure,
        mid_time_mjd=_mid_time(header, setup, exposure),
        binning=round(_within(header, ("XBINNING", "BINX", "CCDXBIN", "XBIN"), 1, 64) or 1),
        bayer=_bayer(header, setup),
        altitude_deg=altitude or by_airmass,
        **told,
    )


def why_no_position(header: ImageHeader, setup: Setup) -> str:
    """Say in one sentence why a frame has no focuser position, and what to do."""
    remedy = "name the keyword in the setup ([headers] position) or give a facts table"
    for card in header.find((*_own(setup, "position"), *_STEPS, *_LOOSE, *_LENGTH)):
        if values.is_length(card) or values.number(card.value) is not None:
            return f"no focuser position in steps: {card.keyword} is a length; {remedy}"
        value = "empty or not readable" if card.value in (None, "") else repr(card.value)
        return f"no focuser position: {card.keyword} is {value}; {remedy}"
    for card in header.find(header.cards):
        if _LIKE_POSITION.fullmatch(card.keyword) and values.steps(card, loose=True) is not None:
            return (
                f"no focuser position under a known keyword; {card.keyword} = {card.value} looks "
                f'like one: if so, state position = "{card.keyword}" under [headers] in the setup'
            )
    return f"no focuser position in the header; {remedy}"


def plain_keyword(keyword: str) -> str:
    """Bring a keyword to the form in which headers are searched."""
    return re.sub(r"^HIERARCH\s+", "", keyword.strip().upper())


def keywords_of_lengths(header: ImageHeader) -> set[str]:
    """Return the keywords without a unit of their own that hold a length in this header."""
    held = (card for card in header.find(_LOOSE) if values.number(card.value) is not None)
    return {card.keyword for card in held if values.steps(card, loose=True) is None}


def ambient_temperature(header: ImageHeader) -> float | None:
    """Return the temperature of the air in degC, or None."""
    return header.first(_AIR_DEGC, values.celsius)


def kind_in_header(header: ImageHeader) -> FrameKind | None:
    """Return the kind of frame that the header states, or None where it is silent."""
    return header.first(_KIND, lambda card: _kind_of(str(card.value).casefold()))


def _kind_of(word: str) -> FrameKind | None:
    return next((kind for key, kind in _KIND_WORDS if re.search(key, word)), None)


def _own(setup: Setup, item: str) -> tuple[str, ...]:
    """The person's own keyword, first among those tried."""
    keyword = getattr(setup.headers, item)
    return (plain_keyword(keyword),) if keyword else ()


def _word(header: ImageHeader, names: Iterable[str]) -> str | None:
    return header.first(names, lambda card: values.text(card.value))


def _number(header: ImageHeader, names: Iterable[str]) -> float | None:
    return header.first(names, lambda card: values.number(card.value))


def _within(header: ImageHeader, names: Iterable[str], low: float, high: float) -> float | None:
    return header.first(names, lambda card: values.within(card.value, low, high))


def _figure(header: ImageHeader, names: Iterable[str], figure: str) -> float | None:
    """A figure of the equipment; what it cannot be counts as not stated."""
    return _within(header, names, *PLAUSIBLE[figure])


def _position(header: ImageHeader, setup: Setup) -> tuple[float | None, str | None]:
    for card in header.find(_own(setup, "position")):
        # Named by the person: any number counts, be it in the focuser's own unit.
        if (found := values.number(card.value)) is not None and abs(found) <= values.MOST_STEPS:
            return found, card.keyword
    for card in header.find((*_STEPS, *_LOOSE)):
        if (found := values.steps(card, loose=card.keyword in _LOOSE)) is not None:
            return found, card.keyword
    return None, None


def _filter(header: ImageHeader, setup: Setup) -> str | None:
    if found := _word(header, (*_own(setup, "filter"), *_FILTER)):
        return found
    wheels = [w for card in header.find(_WHEELS) if (w := values.text(card.value))]
    chosen = [w for w in wheels if w.casefold() not in _OPEN]
    if wheels:
        return "+".join(chosen) or wheels[0]
    return _word(header, ("FWHEEL",))


def _mid_time(header: ImageHeader, setup: Setup, exposure: float | None) -> float | None:
    """Middle of the exposure: stated, else its start and half of the exposure."""
    half = (exposure or 0.0) / 2 / 86400
    scale, clock = _word(header, ("TIMESYS",)) or "UTC", _word(header, _CLOCK)

    def date(*names: str) -> float | None:
        return header.first(names, lambda card: values.mjd(card.value, clock=clock, scale=scale))

    def day(*names: str) -> float | None:
        return _within(header, names, *values.MJD_RANGE)

    if middle := date("DATE-AVG"):
        return middle
    if start := date(*_own(setup, "time"), *_START):
        return start + half
    if middle := day("MJD-AVG"):
        return middle
    start = day("MJD-OBS", "MJD-BEG")
    return None if start is None else start + half


def _kind(path: Path, header: ImageHeader, exposure: float | None) -> FrameKind:
    """Kind of frame: as the header says, else as the file is named, else by zero exposure."""
    if stated := kind_in_header(header):
        return stated
    tokens = re.split(r"[^a-z]+", path.name.lower())
    for token, following in pairwise([*tokens, ""]):
        named = _NAME_TOKEN.fullmatch(token) and following not in {"nebula", "cloud"}
        if named and (found := _kind_of(token)):
            return found
    return "bias" if exposure == 0 else "light"


def _bayer(header: ImageHeader, setup: Setup) -> str | None:
    if setup.camera.bayer != "header":
        return None if setup.camera.bayer == "none" else setup.camera.bayer
    return values.bayer_at_origin(
        _word(header, ("BAYERPAT", "BAYRPAT", "CFAPAT", "CFA-PAT")) or "",
        rows=header.place.shape[0],
        bottom_up="BOTTOM" in (_word(header, ("ROWORDER",)) or "").upper(),
        x_offset=round(_number(header, ("XBAYROFF", "BAYOFFX")) or 0),
        y_offset=round(_number(header, ("YBAYROFF", "BAYOFFY")) or 0),
    )
