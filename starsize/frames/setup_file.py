"""The setup file: TOML read, checked and brought to a ``Setup``."""

import tomllib
import types
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields
from difflib import get_close_matches
from os import PathLike
from pathlib import Path
from typing import Any, Final, Literal, get_args, get_origin

from ..errors import SetupError
from ..filters import canonical_filter
from ..setup import (
    FASTEST,
    PLAUSIBLE,
    SLOWEST,
    Camera,
    FilterGlass,
    Focuser,
    HeaderNames,
    Setup,
    Telescope,
)  # fmt: skip

_TABLES: Final = {
    "telescope": Telescope,
    "focuser": Focuser,
    "camera": Camera,
    "headers": HeaderNames,
}
#: A setup file has a page or two, and a name a line.
_MOST_BYTES: Final = 1 << 18
_MOST_LETTERS: Final = 60
_PATTERNS: Final = ("header", "none", "RGGB", "BGGR", "GRBG", "GBRG")


def load_setup(path: str | PathLike[str]) -> Setup:
    """Read a setup file.

    Parameters
    ----------
    path : path
        TOML with any of the tables telescope, focuser, camera, headers, and filters.NAME.

    Returns
    -------
    Setup
        None for all that the file does not state.

    Raises
    ------
    SetupError
        The file cannot be read or is not TOML; a table or key is unknown (the nearest known
        spelling is offered); a value is of the wrong type or out of range. One line that names
        file, table and key.

    Examples
    --------
    >>> load_setup("setup.toml").telescope.focal_ratio  # doctest: +SKIP
    5.5
    """
    path = Path(path)
    if path.exists() and not path.is_file():
        msg = f"{path}: the setup file cannot be read (not an ordinary file)"
        raise SetupError(msg)
    if path.exists() and path.stat().st_size > _MOST_BYTES:
        msg = f"{path}: too large for a setup file"
        raise SetupError(msg)
    try:
        content = tomllib.loads(path.read_bytes().decode())
    except OSError as error:
        msg = f"{path}: the setup file cannot be read ({error.strerror or 'no such file'})"
        raise SetupError(msg) from error
    except UnicodeDecodeError as error:
        msg = f"{path}: is not UTF-8 text; save it anew in UTF-8"
        raise SetupError(msg) from error
    except tomllib.TOMLDecodeError as error:
        msg = f"{path}: not valid TOML: {' '.join(str(error).split())}"
        raise SetupError(msg) from error
    except (ValueError, RecursionError) as error:
        # Python reads numbers of thousands of digits, and tables as deep, no further.
        msg = f"{path}: not a setup file: a number too long or tables too deep"
        raise SetupError(msg) from error
    try:
        return setup_from_tables(content)
    except SetupError as error:
        msg = f"{path}: {error}"
        raise SetupError(msg) from None


def setup_from_tables(content: Mapping[str, Any]) -> Setup:
    """Build a ``Setup`` from nested mappings, checked like a file; see ``load_setup``.

    Examples
    --------
    >>> setup_from_tables({"telescope": {"focal_length_mm": 550}}).telescope.focal_length_mm
    550.0
    """
    _check_names("table", content, (*_TABLES, "filters"), "")
    parts = {
        name: kind(**_values(f"[{name}]", _table(content, name), kind))
        for name, kind in _TABLES.items()
    }
    setup = Setup(**parts, filters=_filters(_table(content, "filters")))
    _check_together(setup)
    return setup


def _filters(tables: Mapping[str, Any]) -> dict[str, FilterGlass]:
    """Read the filters, each under its canonical name.

    Where two have the same one ("Ha 3nm" and "Ha 7nm") they are told apart on purpose, and all of
    that name keep the person's spelling.
    """
    count = Counter(canonical_filter(name) for name in tables)
    glasses = {}
    for written in tables:
        if not _is_name(written):
            msg = f"[filters.{_shown(written)}]: not a name that can be shown"
            raise SetupError(msg)
        name = canonical_filter(written)
        glass = FilterGlass(
            **_values(f"[filters.{written}]", _table(tables, written, "filters."), FilterGlass)
        )
        glasses[name if count[name] == 1 else written] = glass
    return glasses


def _table(content: Mapping[str, Any], name: str, above: str = "") -> Mapping[str, Any]:
    table = content.get(name, {})
    if not isinstance(table, Mapping):
        msg = f"'{name}' must be a table, written [{above}{name}], not {_shown(table)}"
        raise SetupError(msg)
    return table


def _values(where: str, table: Mapping[str, Any], kind: type) -> dict[str, Any]:
    known = {field.name: field.type for field in fields(kind)}
    _check_names("key", table, tuple(known), where)
    return {key: _value(f"{where} {key}", key, value, known[key]) for key, value in table.items()}


def _check_names(what: str, given: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for name in given:
        if name in known:
            continue
        short = name[:_MOST_LETTERS]
        lower = {k.lower(): k for k in known}
        near = get_close_matches(short.lower(), lower, n=1, cutoff=0.6)
        hint = f"did you mean {lower[near[0]]}?" if near else f"known are {', '.join(known)}"
        shown = f"{where} {short}" if where else f"[{short}]"
        msg = f"{shown}: unknown {what}; {hint}"
        raise SetupError(msg)


def _value(where: str, key: str, value: Any, wanted: Any) -> Any:
    options = get_args(wanted) if isinstance(wanted, types.UnionType) else (wanted,)
    if float in options:
        return _number(where, key, value)
    if any(get_origin(option) is tuple for option in options):
        wanted = 'a list of names such as ["H-alpha"]'
        if isinstance(value, list) and all(isinstance(v, str) and _is_name(v) for v in value):
            return tuple(value)
    elif choices := _choices(key, options):
        wanted = "one of " + ", ".join(f'"{c}"' for c in choices)
        if isinstance(value, str) and value in choices:
            return value
    else:
        wanted = "a word in quotes"
        if isinstance(value, str) and _is_name(value):
            return value.strip()
    msg = f"{where} must be {wanted}, not {_shown(value)}"
    raise SetupError(msg)


def _choices(key: str, options: tuple[Any, ...]) -> tuple[str, ...]:
    if key == "bayer":
        return _PATTERNS
    return next((get_args(option) for option in options if get_origin(option) is Literal), ())


def _number(where: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        msg = f"{where} must be a number (without quotes), not {_shown(value)}"
        raise SetupError(msg)
    low, high = PLAUSIBLE[key]
    if not low <= value <= high:
        msg = f"{where} must lie between {low:,.10g} and {high:,.10g}, not {_shown(value)}"
        raise SetupError(msg)
    return float(value)


def _is_name(word: str) -> bool:
    return bool(word.strip()) and word.isprintable() and len(word) <= _MOST_LETTERS


def _check_together(setup: Setup) -> None:
    """Values that are possible alone but not together."""
    ratio = setup.telescope.focal_ratio
    if setup.telescope.obstruction >= 1:
        msg = "[telescope] obstruction_mm must be smaller than aperture_mm"
        raise SetupError(msg)
    if ratio is not None and not FASTEST <= ratio <= SLOWEST:
        msg = (
            f"[telescope] focal_length_mm over aperture_mm makes f/{ratio:.3g}; "
            "both are in millimetres, check them"
        )
        raise SetupError(msg)
    owner: dict[str, str] = {}
    for name, glass in setup.filters.items():
        for alias in glass.aliases:
            other = owner.setdefault(alias.casefold(), name)
            if other != name:
                msg = f"[filters.{name}] aliases: '{alias}' already stands for {other}"
                raise SetupError(msg)


def _shown(value: Any) -> str:
    if isinstance(value, int) and abs(value) > 1e15:
        return "a number of many digits"
    text = str(value).lower() if isinstance(value, bool) else str(value)
    text = text if len(text) <= _MOST_LETTERS else f"{text[:_MOST_LETTERS]}..."
    return f"'{text}'" if isinstance(value, str) else text
