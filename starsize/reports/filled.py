"""Templates filled, and findings put into words: what is laid out and said stands there."""

import dataclasses
import math
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache, wraps
from importlib.resources import files
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any, Final, ParamSpec, TypeVar

from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from .. import __version__
from ..errors import printable
from ..estimate import Estimate, Finding
from . import numbers, sentences
from .rail import filter_tint

_Thing = TypeVar("_Thing")
_P = ParamSpec("_P")

_TEMPLATES: Final = files("starsize.reports").joinpath("templates")
_KEPT: Final = str(Path(cache_from_source(str(_TEMPLATES / "any.py"))).parent)


def render(template: str, view: dict[str, Any]) -> str:
    """Fill a template: in a page what is not ours is escaped, in a text kept to its line."""
    made = environment(is_text=template.endswith(".txt"))
    return made.get_template(template).render(**view)


class Compiled(FileSystemBytecodeCache):
    """Templates as code, kept where Python keeps that of the modules."""

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take one that was kept."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep one; where nobody may write, it is compiled each time."""
        with suppress(OSError):
            Path(self.directory).mkdir(parents=True, exist_ok=True)
            super().dump_bytecode(bucket)


def _kept(*, is_text: bool) -> Compiled:
    """Where an environment keeps its own: a page's code escapes, a text's does not."""
    kind = "text" if is_text else "page"
    return Compiled(_KEPT, f"{__version__}_{kind}_%s.cache")


@cache
def environment(*, is_text: bool) -> Environment:
    """Where templates are found, and the filters and words that they have."""
    made = Environment(
        loader=PackageLoader("starsize.reports"),
        autoescape=not is_text,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_on_its_line if is_text else None,
        bytecode_cache=None if sys.dont_write_bytecode else _kept(is_text=is_text),
    )
    made.filters |= {
        "about": _about,
        "action": sentences.action_words,
        "clock": numbers.clock_text,
        "duration": numbers.duration_text,
        "estimate": numbers.estimate_text,
        "fixed": lambda value, decimals=0: f"{value:.{decimals}f}",
        "known": numbers.known,
        "micrometres": numbers.micrometres,
        "move": numbers.move_number,
        "number": numbers.number_text,
        "percent": numbers.percent,
        # No line ends between a number and its per cent sign.
        "sentence": lambda text: sentences.sentence(text).replace(" %", "\N{NO-BREAK SPACE}%"),
        "short": numbers.short_number,
        "signed": numbers.signed_text,
        "steps": numbers.steps_text,
        "time": numbers.time_text,
        "tint": filter_tint,
        "whole": round,
        "with_sign": numbers.with_sign,
    }
    made.globals |= {
        "Estimate": Estimate,
        "known": numbers.known,
        "style": Markup(_TEMPLATES.joinpath("style.css").read_text("utf-8")),
        "words": sentences,
    }
    return made


@cache
def macros(template: str) -> Any:
    """The macros of a text, which make a sentence each."""
    return environment(is_text=True).get_template(template).module


def worded(thing: _Thing) -> _Thing:
    """The same result with every finding in it replaced by its sentence.

    It may be a finding, or a tuple or a frozen dataclass that holds some, however deep.
    """
    found: Any = thing
    if isinstance(found, Finding):
        say, facts = vars(macros("findings.txt"))[str(found)], found.facts
        return say(**{name: worded(facts[name]) for name in say.arguments if name in facts})
    if isinstance(found, tuple):
        parts = [worded(part) for part in found]
        same = all(new is old for new, old in zip(parts, found, strict=True))
        return thing if same else tuple(parts)  # type: ignore[return-value]
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        fields = {f.name: getattr(found, f.name) for f in dataclasses.fields(found)}
        new = {name: worded(value) for name, value in fields.items()}
        changed = {name: value for name, value in new.items() if value is not fields[name]}
        return dataclasses.replace(found, **changed) if changed else thing  # type: ignore[return-value]
    return thing


def in_words(function: Callable[_P, _Thing]) -> Callable[_P, _Thing]:
    """The same function, its result put into words."""

    @wraps(function)
    def call(*args: _P.args, **kwargs: _P.kwargs) -> _Thing:
        return worded(function(*args, **kwargs))

    return call


def _about(steps: float) -> int:
    """Two significant digits, 120 for 123.4: advice, not a measurement."""
    digits = 10 ** max(math.floor(math.log10(max(steps, 1))) - 1, 0)
    return round(steps / digits) * digits


def _on_its_line(value: object) -> object:
    return printable(value) if isinstance(value, str) else value
