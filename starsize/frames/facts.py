"""Facts of a frame from its headers, whatever the spelling."""

import math
import re
from collections.abc import Callable, Iterable
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Final, Literal, TypeVar

from ..filters import canonical_filter
from ..setup import FASTEST, PLAUSIBLE, SLOWEST, Setup
from . import keywords as k, values
from .frame import FrameFacts, FrameKind
from .header import ImageHeader

_T = TypeVar("_T")
_OPEN: Final = frozenset({"open", "empty", "clear", "air", "none", "hole", "blank"})
_KIND_WORDS: Final[tuple[tuple[str, FrameKind], ...]] = (
    # Order matters: a "dark flat" is a dark.
    (r"dark", "dark"),
    (r"bias|zero|^\W*(master)?\W*offset", "bias"),
    (r"light|object|science|target|focus|expose", "light"),
    (r"flat", "flat"),
    (r"sky", "light"),
)
_NAME_TOKEN: Final = re.compile(r"(?:master)?(dark|bias|flat|zero)s?(?:frame|field)?s?")
_NAME_KINDS: Final[dict[str, FrameKind]] = {
    "dark": "dark", "bias": "bias", "zero": "bias", "flat": "flat",
}  # fmt: skip
#: Ceilings of converters of 12 to 16 bits, also left-aligned in 16 bits.
_CEILINGS: Final = frozenset({4095.0, 16383.0, 65535.0, 65504.0, 65520.0, 65532.0})
#: Words of a position in steps, but not of a focal length, ratio, temperature or step size.
_LIKE_POSITION: Final = re.compile(
    r"(?!.*(LEN|RAT|TEM|TMP|SZ|SIZE|ANG))[\w -]*(FOC|STEP|POS)[\w -]*"
)
_PER_ELECTRON: Final = re.compile(r"\be-?\s*/|electrons?\s*(?:/|per)|photons?\s*/", re.IGNORECASE)


def facts_from_header(path: Path, header: ImageHeader, setup: Setup) -> FrameFacts:
    """Collect what the headers of one file tell, and tell credibly; None for the rest."""
    exposure = _number(header, (*_own(setup.headers.exposure), *k.EXPOSURE))
    exposure = exposure if exposure is not None and 0 <= exposure <= values.LONGEST_S else None
    at_focuser = (*_own(setup.headers.temperature), *k.FOCUSER_TEMPERATURE)
    temperature = _first(header, at_focuser, values.celsius)
    source: Literal["focuser", "ambient"] | None = "focuser"
    if temperature is None:
        temperature = ambient_temperature(header)
        source = None if temperature is None else "ambient"
    written = _filter(header, setup)
    position, keyword = _position(header, setup)
    focal = _figure(header, k.FOCAL_LENGTH_MM, "focal_length_mm")
    ratio = _within(header, k.FOCAL_RATIO, FASTEST, SLOWEST)
    by_ratio = focal / ratio if focal and ratio else None
    airmass = _within(header, k.AIRMASS, 1.0, 10.0)
    # As in flat layers of air.
    by_airmass = math.degrees(math.asin(1 / airmass)) if airmass else None
    return FrameFacts(
        path=path,
        kind=_kind(path, header, exposure),
        hdu=header.hdu,
        camera=_word(header, ("INSTRUME",)),
        shape=header.shape,
        filter=canonical_filter(written, aliases=setup.aliases) if written else None,
        filter_written=written,
        position_steps=position,
        position_from=keyword,
        temperature_degC=temperature,
        temperature_of=source,
        exposure_s=exposure,
        mid_time_mjd=_mid_time(header, setup, exposure),
        pixel_um=_figure(header, k.PIXEL_UM, "pixel_um"),
        binning=round(_within(header, k.BINNING, 1, 64) or 1),
        focal_length_mm=focal,
        aperture_mm=_figure(header, k.APERTURE_MM, "aperture_mm") or by_ratio,
        um_per_step=_figure(header, k.STEP_UM, "um_per_step"),
        gain_e_per_adu=_gain(header),
        read_noise_e=_figure(header, k.READ_NOISE, "read_noise_e"),
        saturation_adu=_saturation(header),
        bayer=_bayer(header, setup),
        altitude_deg=_within(header, k.ALTITUDE_DEG, 0.1, 90.0) or by_airmass,
    )


def why_no_position(header: ImageHeader, setup: Setup) -> str:
    """Say in one sentence why a frame has no focuser position, and what to do."""
    own = _own(setup.headers.position)
    tried = (*own, *k.POSITION_STEPS, *k.POSITION_LOOSE, *k.POSITION_LENGTH)
    remedy = "name the keyword in the setup ([headers] position) or give a facts table"
    for card in header.find(tried):
        if values.is_length(card) or values.number(card.value) is not None:
            return f"no focuser position in steps: {card.keyword} is a length; {remedy}"
        value = "empty or not readable" if card.value in (None, "") else repr(card.value)
        return f"no focuser position: {card.keyword} is {value}; {remedy}"
    for card in header.find(header.keywords()):
        if _LIKE_POSITION.fullmatch(card.keyword) and values.steps(card, loose=True) is not None:
            return (
                f"no focuser position under a known keyword; {card.keyword} = {card.value} looks "
                f'like one: if so, state position = "{card.keyword}" under [headers] in the setup'
            )
    return f"no focuser position in the header; {remedy}"


def _first(
    header: ImageHeader, names: Iterable[str], convert: Callable[[values.Card], _T | None]
) -> _T | None:
    """What the first entry tells that tells anything."""
    return next((told for c in header.find(names) if (told := convert(c)) is not None), None)


def _word(header: ImageHeader, names: Iterable[str]) -> str | None:
    return _first(header, names, lambda card: values.text(card.value) or None)


def _number(header: ImageHeader, names: Iterable[str]) -> float | None:
    return _first(header, names, lambda card: values.number(card.value))


def _within(header: ImageHeader, names: Iterable[str], low: float, high: float) -> float | None:
    return _first(header, names, lambda card: values.within(card.value, low, high))


def _figure(header: ImageHeader, names: Iterable[str], key: str) -> float | None:
    """A figure of the equipment; what it cannot be counts as not stated."""
    return _within(header, names, *PLAUSIBLE[key])


def _own(keyword: str | None) -> tuple[str, ...]:
    """The person's own keyword, first among those tried."""
    return (plain_keyword(keyword),) if keyword else ()


def plain_keyword(keyword: str) -> str:
    """Bring a keyword to the form in which headers are searched."""
    return re.sub(r"^HIERARCH\s+", "", keyword.strip().upper())


def _position(header: ImageHeader, setup: Setup) -> tuple[float | None, str | None]:
    for card in header.find(_own(setup.headers.position)):
        # Named by the person: any number counts, be it in the focuser's own unit.
        if (found := values.number(card.value)) is not None and abs(found) <= values.MOST_STEPS:
            return found, card.keyword
    for loose, names in ((False, k.POSITION_STEPS), (True, k.POSITION_LOOSE)):
        for card in header.find(names):
            if (found := values.steps(card, loose=loose)) is not None:
                return found, card.keyword
    return None, None


def keywords_of_lengths(header: ImageHeader) -> set[str]:
    """Return the keywords without a unit of their own that hold a length in this header."""
    held = (card for card in header.find(k.POSITION_LOOSE) if values.number(card.value) is not None)
    return {card.keyword for card in held if values.steps(card, loose=True) is None}


def ambient_temperature(header: ImageHeader) -> float | None:
    """Return the temperature of the air in degC, or None."""
    return _first(header, k.AMBIENT_TEMPERATURE, values.celsius)


def _filter(header: ImageHeader, setup: Setup) -> str | None:
    if found := _word(header, (*_own(setup.headers.filter), *k.FILTER)):
        return found
    wheels = [w for card in header.find(k.FILTER_WHEELS) if (w := values.text(card.value))]
    chosen = [w for w in wheels if w.casefold() not in _OPEN]
    if chosen or wheels:
        return "+".join(chosen) if chosen else wheels[0]
    return _word(header, k.FILTER_LAST)


def _mid_time(header: ImageHeader, setup: Setup, exposure: float | None) -> float | None:
    """Middle of the exposure: stated, else its start and half of the exposure."""
    half = (exposure or 0.0) / 2 / 86400
    starts = (*_own(setup.headers.time), *k.TIME_START)
    scale = next((str(c.value) for c in header.find(("TIMESYS",)) if c.value), "UTC")
    clock = next((c.value for c in header.find(k.TIME_OF_DAY)), None)
    date = partial(values.mjd, clock=clock, scale=scale)
    for names, lead, read in (
        (k.TIME_MIDDLE, 0.0, date), (starts, half, date),
        (k.TIME_MIDDLE_MJD, 0.0, values.day), (k.TIME_START_MJD, half, values.day),
    ):  # fmt: skip
        if found := next(filter(None, (read(c.value) for c in header.find(names))), None):
            return found + lead
    return None


def kind_in_header(header: ImageHeader) -> FrameKind | None:
    """Return the kind of frame that the header states, or None where it is silent."""
    words = [str(card.value).casefold() for card in header.find(k.KIND)]
    found = (kind for word in words for key, kind in _KIND_WORDS if re.search(key, word))
    return next(found, None)


def _kind(path: Path, header: ImageHeader, exposure: float | None) -> FrameKind:
    """Kind of frame: as the header says, else as the file is named, else by zero exposure."""
    if stated := kind_in_header(header):
        return stated
    tokens = re.split(r"[^a-z]+", path.name.lower())
    for token, following in pairwise([*tokens, ""]):
        found = _NAME_TOKEN.fullmatch(token)
        if found and following not in {"nebula", "cloud"}:
            return _NAME_KINDS[found[1]]
    return "bias" if exposure == 0 else "light"


def _gain(header: ImageHeader) -> float | None:
    """EGAIN, or GAIN where its comment says electrons per count."""
    if stated := _figure(header, k.GAIN_E, "gain_e_per_adu"):
        return stated
    told = [c.keyword for c in header.find(k.GAIN_LOOSE) if _PER_ELECTRON.search(c.comment)]
    return _figure(header, told, "gain_e_per_adu")


def _saturation(header: ImageHeader) -> float | None:
    """A stated ceiling; DATAMAX only if it is a converter's, not the brightest pixel."""
    if stated := _figure(header, k.SATURATION, "saturation_adu"):
        return stated
    highest = _number(header, ("DATAMAX",))
    return highest if highest in _CEILINGS else None


def _bayer(header: ImageHeader, setup: Setup) -> str | None:
    if setup.camera.bayer == "none":
        return None
    if setup.camera.bayer != "header":
        return setup.camera.bayer
    order = next((str(c.value).upper() for c in header.find(k.ROW_ORDER)), "")
    return values.bayer_at_origin(
        next((c.value for c in header.find(k.BAYER)), None),
        rows=header.shape[0],
        bottom_up="BOTTOM" in order,
        x_offset=round(_number(header, k.BAYER_X) or 0),
        y_offset=round(_number(header, k.BAYER_Y) or 0),
    )
