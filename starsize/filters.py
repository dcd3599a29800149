"""Filter names as people write them, brought to one canonical name, and where each band lies."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Band:
    """Central wavelength and full width of a filter's passband, in nanometres."""

    wavelength_nm: float
    width_nm: float


#: Typical passbands of imaging filters (common practice; makers differ by 10 nm and more, so the
#: setup file can override each). The three emission lines are the air wavelengths of H-alpha
#: 656.28, [O III] 500.68 and the mean of the [S II] pair 671.64 and 673.08 (NIST ASD).
BANDS: Final[Mapping[str, Band]] = {
    "L": Band(550.0, 300.0),
    "R": Band(640.0, 110.0),
    "G": Band(535.0, 90.0),
    "B": Band(450.0, 100.0),
    "Ha": Band(656.28, 6.0),
    "SII": Band(672.4, 6.0),
    "OIII": Band(500.7, 6.0),
}

#: Broad bands of the photometric and survey systems: pivot wavelength and equivalent width of the
#: response curves that speclite 1.0.0 carries (Bessell 1990; SDSS, Doi et al. 2010).
_BROAD: Final[Mapping[str, Band]] = {
    "U": Band(359.8, 64.0), "B": Band(439.9, 96.0), "V": Band(550.0, 89.0),
    "R": Band(655.6, 159.0), "Rc": Band(655.6, 159.0),
    "I": Band(804.7, 150.0), "Ic": Band(804.7, 150.0),
    "u": Band(358.9, 51.0), "g": Band(470.1, 116.0), "r": Band(617.7, 111.0),
    "i": Band(749.6, 110.0), "z": Band(890.4, 109.0),
}  # fmt: skip
_SURVEY: Final = re.compile(r"sloan|sdss|'", re.IGNORECASE)
_PHOTOMETRIC: Final = re.compile(r"johnson|cousins|bessell?|kron", re.IGNORECASE)

#: The order in which a person expects the filters to be listed.
ORDER: Final = tuple(BANDS)

_SPELLINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "L": ("l", "lum", "luminance", "luminosity", "clear", "lrgbl"),
    "R": ("r", "red"),
    "G": ("g", "green"),
    "B": ("b", "blue"),
    "Ha": ("ha", "halpha", "hydrogenalpha", "hα"),
    "SII": ("sii", "s2", "sulfur", "sulphur", "sulfurii", "sulphurii"),
    "OIII": ("oiii", "o3", "oxygen", "oxygeniii"),
}
_CANONICAL: Final = {s: name for name, spellings in _SPELLINGS.items() for s in spellings}
#: What may follow a name: a width ("7nm", "6.5") or the number of a slot ("(2)").
_NUMBER: Final = re.compile(r"\d*(\.\d+)?(nm?)?")


def canonical_filter(name: str, *, aliases: Mapping[str, str] | None = None) -> str:
    """Bring a filter name as written in a header to its canonical spelling.

    One of L, R, G, B, Ha, SII, OIII, or the name itself. Case, spaces, brackets, hyphens, a width
    or number behind the band and a maker's name before it do not matter; ``aliases``, the person's
    own spellings, win.

    >>> [canonical_filter(n) for n in ("Lum", "H-alpha", "O3 3nm", "Acme Red", "V", "Sloan r")]
    ['L', 'Ha', 'OIII', 'R', 'V', 'Sloan r']
    """
    written = name.strip()
    own = {_squeeze(k): v for k, v in (aliases or {}).items()}
    if _squeeze(written) in own:
        return own[_squeeze(written)]
    if _SURVEY.search(written) or _PHOTOMETRIC.search(written):
        return written
    words = re.split(r"[\s_-]+", written)
    for first in range(len(words)):
        found = _known_band("".join(words[first:]))
        # What stands before may be a maker; a second band makes it another filter.
        if found and not any(_known_band(word) for word in words[:first]):
            return found
    return written


def usual_band(name: str) -> Band | None:
    """Where a filter's band usually lies; None for a name that nobody agreed on."""
    if name in BANDS:
        return BANDS[name]
    letter = re.sub(r"[\W_]", "", _PHOTOMETRIC.sub("", _SURVEY.sub("", name)))
    return _BROAD.get(letter.lower() if _SURVEY.search(name) else letter)


def filter_order(name: str) -> tuple[int, str]:
    """Sort key: the usual seven first, in the order people list them, then by name."""
    return (ORDER.index(name) if name in ORDER else len(ORDER), name)


def _known_band(name: str) -> str | None:
    """The band that a name is or begins with, if only a number follows."""
    squeezed = _squeeze(name)
    heads = (squeezed[:end] for end in range(len(squeezed), 0, -1))
    return next(
        (_CANONICAL[h] for h in heads if h in _CANONICAL and _NUMBER.fullmatch(squeezed[len(h) :])),
        None,
    )


def _squeeze(name: str) -> str:
    """Lower case, letters and digits; a prime stays, for g' and r' are filters of their own."""
    return "".join(c for c in name.casefold() if c.isalnum() or c in ".'")
