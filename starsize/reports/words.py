"""What curves and comparison found, put into words; the sentences are in ``findings.txt``."""

import dataclasses
import functools
import math
import re
from collections.abc import Callable, Iterable
from importlib.resources import files
from typing import Any, ParamSpec, TypeVar

from ..estimate import Estimate, Finding

_Thing = TypeVar("_Thing")
_P = ParamSpec("_P")


def worded(thing: _Thing) -> _Thing:
    """The same result with every finding in it replaced by its sentence.

    It may be a finding, or a tuple or a frozen dataclass that holds some, however deep.
    """
    found: Any = thing
    if isinstance(found, Finding):
        say, facts = sentence_of(str(found)), found.facts
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

    @functools.wraps(function)
    def call(*args: _P.args, **kwargs: _P.kwargs) -> _Thing:
        return worded(function(*args, **kwargs))

    return call


@functools.cache
def sentence_of(code: str) -> Any:
    """What makes the sentence of a code from its facts; one by one, for all take a while."""
    lines, wanted = sentences(), [code]
    for name in wanted:  # with what it calls
        called = re.findall(r"(\w+)\(", lines[name])
        wanted += [one for one in called if one in lines and one not in wanted]
    text = "\n".join(lines[name] for name in wanted)
    return getattr(_environment().from_string(text).module, code)


@functools.cache
def sentences() -> dict[str, str]:
    """The macro of each code, and of what sentences share (_); each is a line of the text."""
    text = files("starsize.reports").joinpath("templates/findings.txt").read_text("utf-8")
    return dict(re.findall(r"^(?=.*macro (\w+))(.*)$", text, re.MULTILINE))


@functools.cache
def _environment() -> Any:
    from jinja2 import Environment, StrictUndefined  # who finds nothing needs none

    made = Environment(undefined=StrictUndefined)
    made.filters |= {
        "about": _about, "estimate": _estimate, "fixed": _fixed, "once": _once, "signed": signed,
        "spread": _spread,
    }  # fmt: skip
    return made


def signed(value: float, decimals: int = 1) -> str:
    """A number with its sign; zero has no sign."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text


def _fixed(value: float, decimals: int = 0) -> str:
    return f"{value:.{decimals}f}"


def _estimate(one: Estimate, decimals: int, of_sigma: int) -> str:
    return f"{one.value:.{decimals}f} +- {one.sigma:.{of_sigma}f}"


def _spread(value: float, half95: float) -> str:
    return f"{signed(value)} +- {half95:.1f} steps (95 %)"


def _about(steps: float) -> int:
    """Two significant digits, 120 for 123.4: advice, not a measurement."""
    digits = 10 ** max(math.floor(math.log10(max(steps, 1))) - 1, 0)
    return round(steps / digits) * digits


def _once(reasons: Iterable[str]) -> list[str]:
    """Each reason once, without its full stop."""
    return list(dict.fromkeys(reason.rstrip(".") for reason in reasons))
