"""Where the lens focuses each colour, and which of them each filter lets through."""

import numpy as np

from ...comparison.compared import LensFilter, LensReport
from ..numbers import estimate_text, number_text
from . import _canvas


def lens_svg(lens: LensReport, *, name: str, width_px: int) -> str:
    """Draw the lens' focus against wavelength with its 95 % band, each filter's light on it."""
    figure, axes = _canvas.new_axes(width_px, 360)
    draw_lens(axes, lens)
    return _canvas.svg_text(
        figure, name=name, title="The lens: focus of each colour", description=_words(lens)
    )


def draw_lens(axes: _canvas.Axes, lens: LensReport) -> None:
    """The curve of the lens, its band, each filter's light and best focus."""
    ink = _canvas.colour("muted")
    spread = 2 * lens.sigma_um
    axes.fill_between(
        lens.wavelength_nm, lens.shift_um - spread, lens.shift_um + spread,
        color=ink, alpha=0.16, linewidth=0,
    )  # fmt: skip
    axes.plot(lens.wavelength_nm, lens.shift_um, color=ink, linewidth=1.2)
    for number, one in enumerate(sorted(lens.filters, key=lambda one: -one.width_nm)):
        _draw(axes, lens, one, left=bool(number % 2))
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus from that of 550 nm (µm, + is out)")
    axes.margins(x=0.04)
    axes.set_ylim(*_height(lens))


def _draw(axes: _canvas.Axes, lens: LensReport, one: LensFilter, *, left: bool) -> None:
    """The stretch of the curve that a filter passes, and its best focus."""
    tint = _canvas.filter_colour(one.filter)
    edges = one.wavelength_nm + np.linspace(-0.5, 0.5, 13) * one.width_nm
    axes.plot(
        edges, np.interp(edges, lens.wavelength_nm, lens.shift_um),
        color=tint, linewidth=7 if one.width_nm < 200 else 3, alpha=0.4, solid_capstyle="butt",
    )  # fmt: skip
    if one.focus_um is None:
        return
    axes.errorbar(
        [one.wavelength_nm], [one.focus_um.value], yerr=[np.nan_to_num(one.focus_um.sigma)],
        **_canvas.mark(one.filter, 7, edge=0.8), elinewidth=1.4, zorder=3,
    )  # fmt: skip
    axes.annotate(
        one.filter, (one.wavelength_nm, one.focus_um.value), parse_math=False,
        xytext=(-9 if left else 9, 5), textcoords="offset points", fontsize=12,
        color=_canvas.colour("ink"), ha="right" if left else "left",
    )  # fmt: skip


def _height(lens: LensReport) -> tuple[float, float]:
    """Room for the curve and every filter; of the band no more than half as much again."""
    values = [one.focus_um.value for one in lens.filters if one.focus_um is not None]
    low = min(float(lens.shift_um.min()), *values)
    high = max(float(lens.shift_um.max()), *values)
    spare = (high - low) / 2 or 10.0
    low = max(low - spare, min(low, float((lens.shift_um - 2 * lens.sigma_um).min())))
    high = min(high + spare, max(high, float((lens.shift_um + 2 * lens.sigma_um).max())))
    room = 0.08 * (high - low)
    return low - room, high + room


def _words(lens: LensReport) -> str:
    places = np.linspace(lens.wavelength_nm[0], lens.wavelength_nm[-1], 7)
    curve = [
        f"{number_text(float(w), digits=3)} nm "
        f"{np.interp(w, lens.wavelength_nm, lens.shift_um):+.0f} ± "
        f"{np.interp(w, lens.wavelength_nm, lens.sigma_um):.0f} µm"
        for w in places
    ]
    filters = [
        f"{one.filter} {estimate_text(one.focus_um, signed=True)} µm"
        for one in lens.filters
        if one.focus_um is not None
    ]
    return f"The lens: {', '.join(curve)}. Best focus of the filters: {', '.join(filters)}."
