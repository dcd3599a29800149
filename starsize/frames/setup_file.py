"""The setup file: TOML read, checked and brought to a ``Setup``."""

import math
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
from ..setup import Camera, FilterGlass, Focuser, HeaderNames, Setup, Telescope

_TABLES: Final = {
    "telescope": Telescope,
    "focuser": Focuser,
    "camera": Camera,
    "headers": HeaderNames,
}
#: Numbers that may be negative, and those that may be zero; all others lie above zero.
_ANY_SIGN: Final = frozenset({"steps_per_degC"})
_FROM_ZERO: Final = frozenset(
    {"obstruction_mm", "backlash_steps", "read_noise_e", "steps_per_degC_sigma"}
)
#: No telescope for imaging is faster or slower; a slip of the pen is.
_FASTEST: Final = 0.8
_SLOWEST: Final = 100.0
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
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except OSError as error:
        msg = f"{path}: the setup file cannot be read ({error.strerror or 'no such file'})"
        raise SetupError(msg) from error
    except UnicodeDecodeError as error:
        msg = f"{path}: is not UTF-8 text; save it anew in UTF-8"
        raise SetupError(msg) from error
    except tomllib.TOMLDecodeError as error:
        msg = f"{path}: not valid TOML: {' '.join(str(error).split())}"
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
        lower = {k.lower(): k for k in known}
        near = get_close_matches(name.lower(), lower, n=1, cutoff=0.6)
        hint = f"did you mean {lower[near[0]]}?" if near else f"known are {', '.join(known)}"
        shown = f"{where} {name}" if where else f"[{name}]"
        msg = f"{shown}: unknown {what}; {hint}"
        raise SetupError(msg)


def _value(where: str, key: str, value: Any, wanted: Any) -> Any:
    options = get_args(wanted) if isinstance(wanted, types.UnionType) else (wanted,)
    if float in options:
        return _number(where, key, value)
    if any(get_origin(option) is tuple for option in options):
        if isinstance(value, list) and all(isinstance(v, str) and v.strip() for v in value):
            return tuple(value)
        msg = f'{where} must be a list of names such as ["H-alpha"], not {_shown(value)}'
        raise SetupError(msg)
    choices = (
        _PATTERNS
        if key == "bayer"
        else next((get_args(option) for option in options if get_origin(option) is Literal), ())
    )
    if choices:
        if isinstance(value, str) and value in choices:
            return value
        quoted = ", ".join(f'"{c}"' for c in choices)
        msg = f"{where} must be one of {quoted}, not {_shown(value)}"
        raise SetupError(msg)
    if isinstance(value, str) and value.strip():
        return value.strip()
    msg = f"{where} must be a word in quotes, not {_shown(value)}"
    raise SetupError(msg)


def _number(where: str, key: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        msg = f"{where} must be a number (without quotes), not {_shown(value)}"
        raise SetupError(msg)
    if not math.isfinite(value):
        msg = f"{where} must be a finite number, not {value}"
        raise SetupError(msg)
    if key not in _ANY_SIGN and (value < 0 or (value == 0 and key not in _FROM_ZERO)):
        least = "zero or more" if key in _FROM_ZERO else "above zero"
        msg = f"{where} must be {least}, not {value}"
        raise SetupError(msg)
    return float(value)


def _check_together(setup: Setup) -> None:
    """Values that are possible alone but not together."""
    scope = setup.telescope
    if scope.obstruction_mm and scope.aperture_mm and scope.obstruction_mm >= scope.aperture_mm:
        msg = "[telescope] obstruction_mm must be smaller than aperture_mm"
        raise SetupError(msg)
    ratio = scope.focal_ratio
    if ratio is not None and not _FASTEST <= ratio <= _SLOWEST:
        msg = (
            f"[telescope] focal_length_mm over aperture_mm makes f/{ratio:.3g}; "
            "both are in millimetres, check them"
        )
        raise SetupError(msg)
    owner: dict[str, str] = {}
    for name, glass in setup.filters.items():
        if glass.refractive_index is not None and not 1 < glass.refractive_index < 5:
            msg = f"[filters.{name}] refractive_index must lie between 1 and 5"
            raise SetupError(msg)
        if glass.wavelength_nm is not None and not 200 <= glass.wavelength_nm <= 2500:
            msg = f"[filters.{name}] wavelength_nm must lie between 200 and 2500 (nanometres)"
            raise SetupError(msg)
        for alias in glass.aliases:
            other = owner.setdefault(alias.casefold(), name)
            if other != name:
                msg = f"[filters.{name}] aliases: '{alias}' already stands for {other}"
                raise SetupError(msg)


def _shown(value: Any) -> str:
    return (
        f"'{value}'"
        if isinstance(value, str)
        else str(value).lower()
        if isinstance(value, bool)
        else str(value)
    )
