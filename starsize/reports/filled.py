"""Templates filled: what is laid out and said stands there."""

from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ..errors import printable
from ..estimate import Estimate
from . import numbers, sentences
from .rail import filter_tint


def render(template: str, view: dict[str, Any]) -> str:
    """Fill a template: in a page what is not ours is escaped, in a text kept to its line."""
    made = environment(is_text=template.endswith(".txt"))
    return made.get_template(template).render(**view)


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
    )
    made.filters |= {
        "clock": numbers.clock_text,
        "duration": numbers.duration_text,
        "estimate": numbers.estimate_text,
        "action": sentences.action_words,
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
        "tint": filter_tint,
        "whole": round,
    }
    style = made.loader.get_source(made, "style.css")[0]  # type: ignore[union-attr]
    made.globals |= {
        "Estimate": Estimate,
        "known": numbers.known,
        "style": Markup(style),
        "words": sentences,
    }
    return made


@cache
def macros(template: str) -> Any:
    """The macros of a text, which make a sentence each."""
    return environment(is_text=True).get_template(template).module


def _on_its_line(value: object) -> object:
    return printable(value) if isinstance(value, str) else value
