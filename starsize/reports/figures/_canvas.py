"""The one place that knows matplotlib: axes to draw on, and what was drawn as inline SVG.

Colours are those of the light page, and become its CSS variables in the SVG, so that one drawing
serves light and dark pages. Text stays text; the page's own font sets it. Scales and their words
are set by a template: matplotlib's axis, which measures each number, took most of a drawing's time.
"""

import io
import itertools
import re
import warnings
from collections import defaultdict
from collections.abc import Sequence
from importlib.resources import files
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.backends.backend_svg import RendererSVG
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..words import filter_tint, render, spare_number

__all__ = ["Axes", "MaxNLocator"]  # handed on: matplotlib is imported here only

_CSS: Final = files("starsize.reports").joinpath("templates/style.css").read_text("utf-8")
#: The light page's own colours by name, each another, and the page's variables by colour.
PLAIN: Final = dict(re.findall(r"--([\w-]+): (#\w{6});", _CSS.partition("}")[0]))
_VARIABLES: Final = {tint: f"var(--{name})" for name, tint in PLAIN.items()}

_MARKERS: Final = {"L": "o", "R": "s", "G": "^", "B": "v", "Ha": "D", "SII": "P", "OIII": "h"}
_OTHER_MARKERS: Final = ("p", "<", ">")
#: Marks look equally large: triangles and diamonds are drawn smaller than squares.
_LARGER: Final = {"^": 1.3, "v": 1.3, "<": 1.3, ">": 1.3, "P": 1.25, "h": 1.2}

#: Width of a sign of the numbers at a scale, height of a line of text, room between drawings.
_SIGN_PX: Final = 6.6
_LINE_PX: Final = 15.0
_GAP_PX: Final = 8.0
#: On each side of a drawing its ticks, how far off the numbers stand, and which end of them there.
_SIDES: Final = {
    "left": ("h-4", (-7, 4), "end"),
    "right": ("h4", (7, 4), "start"),
    "below": ("v4", (0, 15), "middle"),
}

_SETTINGS: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "starsize",
    "font.family": ["sans-serif"],
    "font.size": 12.0,
    "axes.unicode_minus": True,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": (-9, 12),
    "path.simplify": True,
}


def filter_colour(name: str) -> str:
    """The page's colour of a filter."""
    return PLAIN[filter_tint(name)]


def filter_marker(name: str) -> str:
    """The mark of a filter, so that colour is never the only sign."""
    return _MARKERS.get(name) or _OTHER_MARKERS[spare_number(name) - 1]


def own_axes() -> Axes:
    """Axes of a new figure, which a notebook shows."""
    # Only who asks for a drawing of its own needs a window or a notebook to show it.
    from matplotlib import pyplot as plt

    return plt.subplots(layout="constrained")[1]


def dress(axes: Axes) -> None:
    """Two thin axes, quiet ticks, no box."""
    axes.patch.set_visible(False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(PLAIN["rule"])
    axes.tick_params(colors=PLAIN["rule"], labelcolor=PLAIN["muted"], labelsize=11)
    for words in (axes.xaxis.label, axes.yaxis.label):
        words.set(color=PLAIN["muted"], fontsize=12)


def mark(
    name: str, size: float, *, edge: float | None = None, hollow: bool = False
) -> dict[str, Any]:
    """How a filter's points are drawn: its colour and mark, with an edge of paper if wanted."""
    sign, tint, paper = filter_marker(name), filter_colour(name), PLAIN["paper"]
    return {
        "color": tint,
        "linestyle": "none",
        "marker": sign,
        "markersize": size * _LARGER.get(sign, 1.0),
        "markeredgecolor": tint if edge is None else paper,
        "markeredgewidth": edge,
        "markerfacecolor": paper if hollow else tint,
    }


def points(axes: Axes, at: Any, sigma: Any, names: Sequence[str], size: float, **how: Any) -> None:
    """Marks, each of a filter, and upright through each its standard uncertainty if known."""
    (x, y), spread = np.asarray(at, float), np.nan_to_num(sigma)
    tints = [filter_colour(name) for name in names]
    axes.vlines(x, y - spread, y + spread, colors=tints, linewidth=1.3)
    for name in dict.fromkeys(names):
        mine = np.array([one == name for one in names])
        axes.plot(x[mine], y[mine], **mark(name, size, **how), zorder=3)


def label(axes: Axes, text: str, at: Sequence[float], beside: tuple[int, int], **how: Any) -> None:
    """Words so many pixels beside a place; to the left of it where that number is negative."""
    style = {"color": PLAIN["ink"], "fontsize": 12, "ha": "right" if beside[0] < 0 else "left"}
    axes.annotate(
        text, (at[0], at[1]), xytext=beside, textcoords="offset points", parse_math=False,
        **{**style, **how},
    )  # fmt: skip


def line_with_band(
    axes: Axes, x: np.ndarray, y: np.ndarray, sigma: np.ndarray, linewidth: float
) -> None:
    """A grey line and its 95 % band."""
    ink, spread = PLAIN["muted"], 2 * np.nan_to_num(sigma)
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


def new_panels(width_px: int, *heights_px: int) -> tuple[Figure, list[Axes]]:
    """Drawings of a page, one below the other, that share their x axis; a point is a pixel."""
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(width_px / 72, sum(heights_px) / 72), dpi=72)
        panels: list[Axes] = []
        for height in heights_px:
            place = (0.0, 0.0, 1.0, height / sum(heights_px))
            panels.append(figure.add_axes(place, sharex=panels[0] if panels else None))
    figure.patch.set_visible(False)
    for axes in panels:
        axes.set_axis_off()
    return figure, panels


def wipe(*panels: Axes) -> None:
    """Take off what was drawn, for the next drawing on the same axes."""
    for axes in panels:
        for artist in [*axes.lines, *axes.collections, *axes.patches, *axes.texts]:
            artist.remove()
        axes.relim()


class _Renderer(RendererSVG):
    """SVG without a group and an id for each thing that is drawn."""

    def open_group(self, s: str, gid: str | None = None) -> None:
        """Nothing: no group is asked for."""

    def close_group(self, s: str) -> None:
        """Nothing was opened."""


def svg_text(
    figure: Figure,
    *,
    name: str,
    title: str,
    description: str,
    second: tuple[str, float] | None = None,
    beside_px: float = _GAP_PX,
) -> Markup:
    """The figure as inline SVG: named for screen readers, nothing fetched, themed by CSS.

    ``name``, unique on the page (letters, digits and hyphens), starts every id in the SVG; title
    and description are what a screen reader says; ``second`` is what a scale on the right counts,
    and how many of it make one on the left; ``beside_px`` is the least room above and below.
    """
    width, height = (round(72 * size) for size in figure.get_size_inches())
    view = _scales(figure.axes, (width, height), second, beside_px)
    raw = io.StringIO()
    with mpl.rc_context(_SETTINGS), warnings.catch_warnings():
        # The page's own fonts set the text; that matplotlib's lacks a sign does not matter.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        renderer = _Renderer(width, height, raw, metadata={"Date": None})
        figure.draw(renderer)
        renderer.finalize()
    # Before the first definitions end all is matplotlib's own: the format, the style of lines.
    drawn = raw.getvalue().partition("</defs>")[2].rpartition("</svg>")[0]
    counter = itertools.count(1)
    ids: dict[str, str] = defaultdict(lambda: f"{name}-{next(counter)}")

    def ours(tag: re.Match[str]) -> str:
        own = tag[0].replace("xlink:href", "href")
        own = re.sub(r'font: ([\d.]+px) [^;"]*', r"font: \1 var(--font)", own)
        own = re.sub("#[0-9a-f]{6}", lambda one: _VARIABLES.get(one[0], one[0]), own)
        return re.sub(r'( id="|href="#|url\(#)(\w+)', lambda one: one[1] + ids[one[2]], own)

    body = re.sub("<[^>]+>", ours, re.sub(r">\s+<", "><", drawn.strip()))
    words = {"name": name, "title": title, "description": description, "drawn": Markup(body)}
    page = render("figure.html", {"width": width, "height": height, **words, **view})
    return Markup(page.strip())


def _scales(
    panels: Sequence[Axes],
    size_px: tuple[int, int],
    second: tuple[str, float] | None,
    beside_px: float,
) -> dict[str, Any]:
    """Give the panels their places; where their scales run, and the names of these."""
    (width, height), (*_, lowest) = size_px, panels
    left = max(_room(axes.yaxis, axes.get_ylabel()) for axes in panels)
    end = width - (_room(panels[0].yaxis, *second) if second else 2 * _GAP_PX)
    bottom = max(beside_px, 12 + _LINE_PX * (1 + bool(lowest.get_xlabel())))
    free = height - bottom - beside_px - _GAP_PX * (len(panels) - 1)
    shrink = free / sum(axes.bbox.height for axes in panels)
    names = [(lowest.get_xlabel(), (left + end) / 2, height - _GAP_PX, 0)]
    scales, top = [], beside_px
    for axes in panels:
        low = top + shrink * axes.bbox.height
        axes.set_position(
            (left / width, 1 - low / height, (end - left) / width, (low - top) / height)
        )
        below = _scale(axes.xaxis, "below", (left, low), (end, low))
        scales += [_scale(axes.yaxis, "left", (left, low), (left, top)), below]
        names.append((axes.get_ylabel(), 11, (low + top) / 2, -90))
        if axes is not lowest:
            below["numbers"] = []
        if second:
            scales.append(_scale(axes.yaxis, "right", (end, low), (end, top), second[1]))
            names.append((second[0], width - 4, (low + top) / 2, -90))
        top = low + _GAP_PX
    return {"scales": scales, "names": [(words, *np.round(at, 1)) for words, *at in names]}


def _scale(
    axis: Axis, side: str, start: Sequence[float], end: Sequence[float], factor: float = 1.0
) -> dict[str, Any]:
    """A scale from one place of the drawing to another: its path, and its numbers beside it."""
    tick, beside, anchor = _SIDES[side]
    shares, texts = _numbers(axis, factor)
    along = np.array(start) + np.outer(shares, np.subtract(end, start))
    path = "M{:.1f} {:.1f}L{:.1f} {:.1f}".format(*start, *end)
    path += "".join(f"M{x:.1f} {y:.1f}{tick}" for x, y in along)
    places = np.round(along + beside, 1).tolist()
    numbers = [(text, *place) for text, place in zip(texts, places, strict=True)]
    return {"path": path, "numbers": numbers, "anchor": anchor}


def _numbers(axis: Axis, factor: float) -> tuple[np.ndarray, list[str]]:
    """How far along an axis its numbers stand, from 0 to 1; ``factor`` of one that counts finer."""
    low, high = factor * np.asarray(axis.get_view_interval())
    at = np.asarray(axis.get_major_locator().tick_values(low, high), float)
    shares = (at - low) / (high - low)
    seen = (shares > -1e-6) & (shares < 1 + 1e-6)
    texts = axis.get_major_formatter().format_ticks(at.tolist())
    return shares[seen], list(itertools.compress(texts, seen))


def _room(axis: Axis, name: str, factor: float = 1.0) -> float:
    """Pixels that a scale takes, judged by the signs of its numbers, and by its name."""
    signs = max(map(len, _numbers(axis, factor)[1]), default=0)
    return 12.0 + signs * _SIGN_PX + _LINE_PX * bool(name)
