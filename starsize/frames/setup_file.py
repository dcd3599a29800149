"""The setup file: TOML read, checked, brought to a ``Setup``; headers fill in what it lacks."""

import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import Field, fields, replace
from difflib import get_close_matches
from os import PathLike
from pathlib import Path
from typing import Any, Final, Literal, get_args, get_origin

from ..errors import SetupError
from ..estimate import Finding, Notice, notice
from ..filters import canonical_filter
from ..setup import FASTEST, PLAUSIBLE, SLOWEST, FilterGlass, Setup, given_setup
from .frame import FrameFacts, InputFile

_TABLES: Final[dict[str, Any]] = {
    one.name: one.default_factory for one in fields(Setup) if one.name != "filters"
}
#: A setup file has a page or two, and a name a line.
_MOST_BYTES, _MOST_LETTERS = 1 << 18, 60
#: Headers repeat what was typed once: more than this apart is a contradiction, not rounding.
_RELATIVE_TOLERANCE: Final = 0.02
#: Fewer than this share of the frames do not decide for all.
_FEW: Final = 0.25


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
    if path.exists() and path.stat().st_size > _MOST_BYTES:
        raise SetupError(f"{path}: too large for a setup file")
    text = text_of(path, "the setup file")
    try:
        return setup_from_tables(tomllib.loads(text))
    except SetupError as error:
        raise SetupError(f"{path}: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"{path}: not valid TOML: {' '.join(str(error).split())}") from error
    except (ValueError, RecursionError) as error:
        # Python reads numbers of thousands of digits, and tables as deep, no further.
        msg = f"{path}: not a setup file: a number too long or tables too deep"
        raise SetupError(msg) from error


def text_of(path: Path, what: str) -> str:
    """The text of a file that a person wrote; ``SetupError`` if it cannot be read."""
    try:
        if path.exists() and not path.is_file():
            raise OSError(None, "not an ordinary file")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise SetupError(f"{path}: {what} is not UTF-8 text; save it anew in UTF-8") from error
    except OSError as error:
        why = (error.strerror or "no such file").lower()
        raise SetupError(f"{path}: {what} cannot be read ({why})") from error


def nearest(name: str, known: Sequence[str]) -> str:
    """What an unknown name in such a file may mean."""
    lower = {one.lower(): one for one in known}
    near = get_close_matches(name[:_MOST_LETTERS].lower(), lower, n=1, cutoff=0.6)
    return f"did you mean {lower[near[0]]}?" if near else f"known are {', '.join(known)}"


def setup_from_tables(content: Mapping[str, Any]) -> Setup:
    """Build a ``Setup`` from nested mappings, checked like a file; see ``load_setup``."""
    _check_names("table", content, (*_TABLES, "filters"), "")
    parts = {name: _checked(f"[{name}]", _table(content, name), _TABLES[name]) for name in _TABLES}
    tables = _table(content, "filters")
    # Each under its canonical name; two of one name ("Ha 3nm", "Ha 7nm") as they are written.
    count = Counter(canonical_filter(name) for name in tables)
    glasses = {}
    for written in tables:
        if not _is_name(written):
            raise SetupError(f"[filters.{_shown(written)}]: not a name that can be shown")
        name, table = canonical_filter(written), _table(tables, written, "filters.")
        glass = _checked(f"[filters.{written}]", table, FilterGlass)
        glasses[name if count[name] == 1 else written] = glass
    setup = Setup(**parts, filters=glasses)
    _check_together(setup)
    return setup


def _table(content: Mapping[str, Any], name: str, above: str = "") -> Mapping[str, Any]:
    table = content.get(name, {})
    if not isinstance(table, Mapping):
        raise SetupError(f"'{name}' must be a table, written [{above}{name}], not {_shown(table)}")
    return table


def _checked(where: str, table: Mapping[str, Any], kind: Any) -> Any:
    known = {field.name: field for field in fields(kind)}
    _check_names("key", table, tuple(known), where)
    return kind(**{k: _value(f"{where} {k}", known[k], value) for k, value in table.items()})


def _check_names(what: str, given: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for name in [name for name in given if name not in known]:
        short = name[:_MOST_LETTERS]
        shown = f"{where} {short}" if where else f"[{short}]"
        raise SetupError(f"{shown}: unknown {what}; {nearest(name, known)}")


def _value(where: str, field: Field[Any], value: Any) -> Any:
    kinds = (field.type, *get_args(field.type))
    choices = [word for kind in kinds if get_origin(kind) is Literal for word in get_args(kind)]
    if field.name in PLAUSIBLE:
        return _number(where, value, *PLAUSIBLE[field.name])
    if field.name == "aliases":
        wanted = 'a list of names such as ["H-alpha"]'
        if isinstance(value, list) and all(map(_is_name, value)):
            return tuple(value)
    elif choices:
        wanted = "one of " + ", ".join(f'"{c}"' for c in choices)
        if value in choices:
            return value
    else:
        wanted = "a word in quotes"
        if _is_name(value):
            return value.strip()
    raise SetupError(f"{where} must be {wanted}, not {_shown(value)}")


def _number(where: str, value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SetupError(f"{where} must be a number (without quotes), not {_shown(value)}")
    if not low <= value <= high:
        msg = f"{where} must lie between {low:,.10g} and {high:,.10g}, not {_shown(value)}"
        raise SetupError(msg)
    return float(value)


def _is_name(value: Any) -> bool:
    is_word = isinstance(value, str) and value.isprintable() and bool(value.strip())
    return is_word and len(value) <= _MOST_LETTERS


def _check_together(setup: Setup) -> None:
    """Values that are possible alone but not together."""
    ratio = setup.telescope.focal_ratio
    if setup.telescope.obstruction >= 1:
        raise SetupError("[telescope] obstruction_mm must be smaller than aperture_mm")
    if ratio is not None and not FASTEST <= ratio <= SLOWEST:
        raise SetupError(
            f"[telescope] focal_length_mm over aperture_mm makes f/{ratio:.3g}; "
            "both are in millimetres, check them"
        )
    owner: dict[str, str] = {}
    for name, glass in setup.filters.items():
        for alias in glass.aliases:
            other = owner.setdefault(alias.casefold(), name)
            if other != name:
                raise SetupError(f"[filters.{name}] aliases: '{alias}' already stands for {other}")


def _shown(value: Any) -> str:
    if isinstance(value, int) and abs(value) > 1e15:
        return "a number of many digits"
    text = str(value).lower() if isinstance(value, bool) else str(value)
    text = text if len(text) <= _MOST_LETTERS else f"{text[:_MOST_LETTERS]}..."
    return f"'{text}'" if isinstance(value, str) else text


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
        from the headers, each only if no mere few state it, and these agree to 2 %, but for a few.
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
    setup = given_setup(setup)
    facts = [file.facts for file in files if file.usable and file.facts is not None]
    notices: list[Notice] = []
    for table in ("telescope", "camera", "focuser"):
        for one in fields(_TABLES[table]):
            if words := one.metadata.get("words"):
                setup, told = _complete_item(setup, table, one.name, words, facts)
                notices.extend(told)
    binned = sorted({one.binning for one in facts if one.binning > 1 and one.pixel_um})
    if binned and setup.camera.pixel_um is not None:
        notices.append(notice("pixel_binning", binning=binned[0], pixel_um=setup.camera.pixel_um))
    return setup, tuple(notices)


def _complete_item(
    setup: Setup, table: str, key: str, words: str, facts: Sequence[FrameFacts]
) -> tuple[Setup, list[Notice]]:
    values = [v for one in facts if (v := getattr(one, key)) is not None]
    if not values:
        return setup, []
    stated = getattr(getattr(setup, table), key)
    if stated is None and len(values) < _FEW * len(facts):
        return setup, []
    # The most frequent figure, so that the order of the frames does not matter.
    usual = max(sorted(set(values)), key=values.count) if stated is None else stated
    others = [v for v in values if abs(v - usual) > _RELATIVE_TOLERANCE * usual]
    low, high = min(values), max(values)
    agree = high - low <= _RELATIVE_TOLERANCE * high
    seen = {"words": words, "usual": usual, "low": low, "high": high}
    if stated is not None:
        told = notice("setup_against_headers", **seen, agree=agree)
        return setup, [told] if others else []
    code = "headers_disagree"
    if len(others) < _FEW * len(values):
        setup = replace(setup, **{table: replace(getattr(setup, table), **{key: usual})})
        few = Finding("few_disagree", **seen, few=len(others), of=len(values), other=others[:1])
        return setup, [] if agree else [Notice(code, few)]
    if key == "pixel_um" and len({one.binning for one in facts}) > 1:
        return setup, [Notice(code, Finding("binned_differently", **seen))]
    return setup, [notice(code, **seen, table=table, key=key)]
