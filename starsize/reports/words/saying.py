"""From a finding to its sentence, which stands under its code, and turns of phrase they share."""

import dataclasses
import functools
import math
from collections.abc import Callable, Mapping
from typing import Any, ParamSpec, TypeVar

from ...estimate import Finding

_Thing = TypeVar("_Thing")
_P = ParamSpec("_P")
Sentence = str | Callable[..., str]
"""Filled with the facts by ``str.format``, or made of them where words depend on numbers."""
SENTENCES: dict[str, Sentence] = {}


def say(sentences: Mapping[str, Sentence]) -> None:
    """Add the sentences of one subject."""
    SENTENCES.update(sentences)


def worded(thing: _Thing) -> _Thing:
    """The same result with every finding in it replaced by its sentence.

    It may be a finding, or a tuple or a frozen dataclass that holds some, however deep.
    """
    found: Any = thing
    if isinstance(found, Finding):
        facts = {name: worded(value) for name, value in found.facts.items()}
        sentence = SENTENCES[str(found)]
        if isinstance(sentence, str):
            return sentence.format(**facts)  # type: ignore[return-value]
        return sentence(**facts)  # type: ignore[return-value]
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


def all_filters(count: int) -> str:
    """``both filters`` or ``all 7 filters``."""
    return "both filters" if count == 2 else f"all {count} filters"


def counted(number: int, noun: str) -> str:
    """``1 frame``, ``7 frames``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def signed(value: float, decimals: int = 1) -> str:
    """A number with its sign; zero has no sign."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text


def spread(value: float, half95: float) -> str:
    """A number of steps with its 95 % half-width: ``+3.1 +- 0.4 steps (95 %)``."""
    return f"{signed(value)} +- {half95:.1f} steps (95 %)"


def about(steps: float) -> int:
    """Two significant digits, 120 for 123.4: advice, not a measurement."""
    digits = 10 ** max(math.floor(math.log10(max(steps, 1))) - 1, 0)
    return round(steps / digits) * digits
