"""The page of a run: one HTML file that needs nothing else."""

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from .numbers import estimate_text, number_text, short_number
from .result import RunResult
from .sentences import glass_text, sentence
from .view import page_view


def report_html(result: RunResult) -> str:
    """The whole report as one HTML page: styles and drawings inside, nothing fetched.

    The same run gives the same text; no date of writing, no path of the machine.
    """
    return render("report.html", page_view(result))


def render(template: str, view: dict[str, Any]) -> str:
    """Fill a template of ours; whatever is not ours is escaped."""
    environment = Environment(
        loader=PackageLoader("starsize.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "estimate": estimate_text,
        "glass": glass_text,
        "number": number_text,
        "sentence": _unbroken,
        "short": short_number,
    }
    style = environment.loader.get_source(environment, "style.css")[0]  # type: ignore[union-attr]
    return environment.get_template(template).render(style=Markup(style), **view)


def _unbroken(text: str) -> str:
    """A sentence in which no line ends between a number and its per cent sign."""
    return sentence(text).replace(" %", "\N{NO-BREAK SPACE}%")
