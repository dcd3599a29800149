"""What curves and comparison found, put into words; the sentences are in ``findings.txt``."""

import dataclasses
import functools
import math
from collections.abc import Callable, Iterable, Mapping
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
        say: Any = sentences()[str(found)]
        facts = found.facts
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
def sentences() -> Mapping[str, Callable[..., str]]:
    """What makes the sentence of a code from its facts."""
    from jinja2 import Environment, PackageLoader, StrictUndefined  # who finds nothing needs none

    environment = Environment(loader=PackageLoader("starsize.reports"), undefined=StrictUndefined)
    environment.filters |= {
        "about": _about, "estimate": _estimate, "fixed": _fixed, "once": _once, "signed": signed,
        "spread": _spread,
    }  # fmt: skip
    told = vars(environment.get_template("findings.txt").module)
    return {code: say for code, say in told.items() if not code.startswith("_")}


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
