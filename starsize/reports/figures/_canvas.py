"""The one place that knows matplotlib: a bare figure in, a small piece of inline SVG out.

Colours are drawn as stand-ins and become CSS variables in the SVG, so that one drawing serves
light and dark pages. Text stays text; the page's own font sets it.
"""

import io
import itertools
import re
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from html import escape
from importlib.resources import files
from typing import Any, Final
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..rail import filter_tint, spare_number

__all__ = ["Axes", "MaxNLocator"]  # handed on: matplotlib is imported here only

_CSS: Final = files("starsize.reports").joinpath("templates/style.css").read_text("utf-8")
#: The light page's own colours by name, for a drawing that is no part of a page ...
PLAIN: Final = dict(re.findall(r"--([\w-]+): (#\w{6});", _CSS.partition("}")[0]))
#: ... and what each is drawn in where it is to become the page's CSS variable.
_STAND_IN: Final = {name: f"#01fe{number:02x}" for number, name in enumerate(PLAIN)}
_palette: ContextVar[Mapping[str, str]] = ContextVar("palette", default=_STAND_IN)
_MARKERS: Final = {"L": "o", "R": "s", "G": "^", "B": "v", "Ha": "D", "SII": "P", "OIII": "h"}
_OTHER_MARKERS: Final = ("p", "<", ">")

#: Width of a sign of the numbers at the ticks, and height of a line of text.
_SIGN_PX: Final = 6.6
_LINE_PX: Final = 15.0

_SVG: Final = "{http://www.w3.org/2000/svg}"
_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_SETTINGS: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "starsize",
    "font.family": ["sans-serif"],
    "font.size": 12.0,
    "axes.unicode_minus": True,
    "path.simplify": True,
}


def colour(name: str) -> str:
    """One of the page's colours: its stand-in, or the colour itself in a drawing of its own."""
    return _palette.get()[name]


@contextmanager
def plain_axes(axes: Axes | None) -> Iterator[Axes]:
    """Draw in real colours on the axes given, or on new ones that a notebook shows."""
    if axes is None:
        # Only who asks for a drawing of its own needs a window or a notebook to show it.
        from matplotlib import pyplot as plt

        axes = plt.subplots(layout="constrained")[1]
    token = _palette.set(PLAIN)
    try:
        dress(axes)
        yield axes
    finally:
        _palette.reset(token)


def filter_colour(name: str) -> str:
    """The stand-in for the colour of a filter."""
    return colour(filter_tint(name))


def filter_marker(name: str) -> str:
    """The mark of a filter, so that colour is never the only sign."""
    return _MARKERS.get(name) or _OTHER_MARKERS[spare_number(name) - 1]


def mark(name: str, size: float, *, edge: float | None = None) -> dict[str, Any]:
    """How a filter's points are drawn: its colour and mark, with an edge of paper if wanted.

    Marks look equally large: triangles and diamonds are drawn smaller than squares.
    """
    sign = filter_marker(name)
    larger = {"^": 1.3, "v": 1.3, "<": 1.3, ">": 1.3, "P": 1.25, "h": 1.2}.get(sign, 1.0)
    style = {"color": filter_colour(name), "marker": sign, "markersize": size * larger}
    if edge is not None:
        style |= {"markeredgecolor": colour("paper"), "markeredgewidth": edge}
    return {"linestyle": "none", **style}


def point(
    axes: Axes, at: Sequence[float], sigma: float, name: str, size: float, **more: Any
) -> None:
    """A filter's mark with its standard uncertainty upright through it."""
    style = mark(name, size, edge=more.pop("edge", None))
    axes.errorbar([at[0]], [at[1]], yerr=[np.nan_to_num(sigma)], **style, **more)


def label(axes: Axes, text: str, at: Sequence[float], beside: tuple[int, int], **how: Any) -> None:
    """Words so many pixels beside a place; to the left of it where that number is negative."""
    style: dict[str, Any] = {"color": colour("ink"), "fontsize": 12, **how}
    style.setdefault("ha", "right" if beside[0] < 0 else "left")
    axes.annotate(
        text,
        (at[0], at[1]),
        xytext=beside,
        textcoords="offset points",
        parse_math=False,
        **style,
    )


def line_with_band(
    axes: Axes, x: np.ndarray, y: np.ndarray, sigma: np.ndarray, linewidth: float
) -> None:
    """A grey line and its 95 % band."""
    ink, spread = colour("muted"), 2 * np.nan_to_num(sigma)
    axes.fill_between(x, y - spread, y + spread, color=ink, alpha=0.16, linewidth=0)
    axes.plot(x, y, color=ink, linewidth=linewidth)


def limits(
    seen: Sequence[float], more: Sequence[float], *, spare: float, room: float
) -> tuple[float, float]:
    """Ends of an axis: room for all that is seen; of more, no more than half as much again."""
    low, high = min(seen), max(seen)
    reach = (high - low) / 2 or spare
    low = min([low, *(max(low - reach, one) for one in more)])
    high = max([high, *(min(high + reach, one) for one in more)])
    edge = room * (high - low) or 1.0
    return low - edge, high + edge


def new_axes(width_px: int, height_px: int) -> tuple[Figure, Axes]:
    """An empty drawing of the page's style; one point is one pixel."""
    figure, (axes,) = new_panels(width_px, (height_px,))
    return figure, axes


def new_panels(width_px: int, heights_px: tuple[int, ...]) -> tuple[Figure, tuple[Axes, ...]]:
    """Drawings one below the other that share their x axis; its labels stand at the lowest."""
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(width_px / 72, sum(heights_px) / 72), dpi=72)
        FigureCanvasSVG(figure)
        rows = len(heights_px)
        panels = figure.subplots(rows, squeeze=False, sharex=True, height_ratios=heights_px)[:, 0]
    figure.patch.set_visible(False)
    for axes in panels:
        dress(axes)
    return figure, tuple(panels)


def wipe(*panels: Axes) -> None:
    """Take off what was drawn; axes and ticks, which take most of the time, stay."""
    for axes in panels:
        for artist in [*axes.lines, *axes.collections, *axes.patches, *axes.texts]:
            artist.remove()
        axes.relim()


def dress(axes: Axes) -> None:
    """Two thin axes, quiet ticks, no box."""
    axes.patch.set_visible(False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(colour("rule"))
    axes.tick_params(
        colors=colour("rule"), labelcolor=colour("muted"), labelsize=11, length=4, width=0.8
    )
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_color(colour("muted"))
        label.set_fontsize(12)


def in_both_widths(
    draw: Callable[..., str | None],
    *args: Any,
    name: str,
    widths: tuple[int, int] = (760, 380),
    **how: Any,
) -> list[tuple[str, Markup]]:
    """The same drawing for a wide and for a narrow screen; the page shows one of them."""
    drawn = [
        (kind, draw(*args, name=f"{name}-{kind}", width_px=width, **how))
        for kind, width in zip(("wide", "narrow"), widths, strict=True)
    ]
    return [(kind, Markup(svg)) for kind, svg in drawn if svg]


def svg_text(
    figure: Figure, *, name: str, title: str, description: str, beside_px: float = 0.0
) -> str:
    """The figure as inline SVG: named for screen readers, nothing fetched, themed by CSS.

    ``name``, unique on the page (letters, digits and hyphens), starts every id in the SVG; title
    and description are what a screen reader says; ``beside_px`` is room above and below for words
    that stand beside the axes.
    """
    _set_margins(figure, beside_px)
    raw = io.StringIO()
    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # The page's own fonts set the text; that matplotlib's lacks a sign does not matter.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(raw, format="svg", metadata={"Date": None, "Creator": None})
    root = ET.fromstring(raw.getvalue())
    for element in root.findall(f"{_SVG}metadata"):
        root.remove(element)
    _shorten_ids(root, name)
    return _inline(root, name=name, title=title, description=description)


def _set_margins(figure: Figure, beside_px: float) -> None:
    """Leave room for ticks and labels, judged from how many signs they have.

    Measuring the text, as matplotlib's layout engines do, takes twice as long as drawing it.
    """
    width, height = 72 * figure.get_size_inches()
    panels = figure.axes
    left = max(_room(axes.yaxis) for axes in panels)
    # A second scale stands on the right; its numbers are not known before it is drawn.
    right = left if any(axes.child_axes for axes in panels) else 16.0
    bottom = _LINE_PX + _room(panels[-1].xaxis, lying=True)
    gap = 8.0 * len(panels) / (height - bottom) if len(panels) > 1 else 0.0
    figure.subplots_adjust(
        left=left / width,
        right=1 - right / width,
        bottom=max(bottom, beside_px) / height,
        top=1 - max(8.0, beside_px) / height,
        hspace=gap,
    )


def _room(axis: Axis, *, lying: bool = False) -> float:
    """Pixels that the ticks, their numbers and the label of an axis take; ``lying``: in height."""
    numbers = axis.get_major_formatter().format_ticks(list(axis.get_majorticklocs()))
    signs = 0.0 if lying else max(map(len, numbers), default=0) * _SIGN_PX
    label = _LINE_PX if axis.get_label_text() else 0.0
    return 12.0 + signs + label


def _shorten_ids(root: ET.Element, name: str) -> None:
    """Keep only the ids that something refers to, counted in order and unique on the page."""
    text = ET.tostring(root, encoding="unicode")
    wanted = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', text))
    counter = itertools.count(1)
    named = [own for element in root.iter() if (own := element.attrib).get("id") in wanted]
    short = {own["id"]: f"{name}-{next(counter)}" for own in named}
    for element in root.iter():
        own = element.attrib
        if kept := short.get(own.pop("id", "")):
            own["id"] = kept
        if target := own.pop(_HREF, None):
            own["href"] = "#" + short[target[1:]]
        if clip := own.get("clip-path"):
            own["clip-path"] = f"url(#{short[clip[5:-1]]})"


def _inline(root: ET.Element, *, name: str, title: str, description: str) -> str:
    """Drop namespaces and absolute size, set the page's colours and font, add the words."""
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
    for style in [group for group in root.findall("defs") if group.find("style") is not None]:
        root.remove(style)
    body = "".join(ET.tostring(child, encoding="unicode") for child in root)
    body = re.sub(r">\s+<", "><", body)
    body = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font: \1 var(--font)", body)
    for colour_name, stand_in in _STAND_IN.items():
        body = body.replace(stand_in, f"var(--{colour_name})")
    return (
        f'<svg viewBox="{root.attrib["viewBox"]}" role="img" '
        f'aria-labelledby="{name}-title {name}-desc" stroke-linejoin="round">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>{body}</svg>'
    )
