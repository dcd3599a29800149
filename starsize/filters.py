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

#: The order in which a person expects the filters to be listed.
ORDER: Final = ("L", "R", "G", "B", "Ha", "SII", "OIII")

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
_WIDTH: Final = re.compile(r"(\d+(\.\d+)?)?nm?$")


def canonical_filter(name: str, *, aliases: Mapping[str, str] | None = None) -> str:
    """Bring a filter name as written in a header to its canonical spelling.

    Parameters
    ----------
    name : str
        The name as written; case, spaces, brackets, hyphens and a stated width ("Ha 7nm") do not
        matter.
    aliases : mapping of str to str, optional
        The person's own spellings (as written) and the name each stands for; these win.

    Returns
    -------
    str
        One of L, R, G, B, Ha, SII, OIII, or the name itself without surrounding space.

    Examples
    --------
    >>> [canonical_filter(n) for n in ("Lum", "H-alpha", "[S II]", "O3", "L ", "V")]
    ['L', 'Ha', 'SII', 'OIII', 'L', 'V']
    """
    written = name.strip()
    own = {_squeeze(k): v for k, v in (aliases or {}).items()}
    squeezed = _squeeze(written)
    if squeezed in own:
        return own[squeezed]
    for key in (squeezed, _WIDTH.sub("", squeezed)):
        if key in _CANONICAL:
            return _CANONICAL[key]
    return written


def filter_order(name: str) -> tuple[int, str]:
    """Sort key: the usual seven first, in the order people list them, then by name."""
    return (ORDER.index(name) if name in ORDER else len(ORDER), name)


def _squeeze(name: str) -> str:
    """Lower case, letters and digits; a prime stays, for g' and r' are filters of their own."""
    return "".join(c for c in name.casefold() if c.isalnum() or c in ".'")
