"""From a finding to its sentence, which stands under its code."""

import dataclasses
import functools
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
