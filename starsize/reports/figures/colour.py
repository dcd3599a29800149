"""Focus against wavelength: every filter with its zone, and the lens."""

import itertools
from typing import Any

import numpy as np

from ...comparison.compared import ColourPoint, ColourReport, LensFilter, LensReport
from ...setup import Setup
from ..filled import macros
from ..numbers import known
from . import _canvas


def colour_svg(
    colour: ColourReport, setup: Setup, *, um_per_step: float | None, name: str, width_px: int
) -> str | None:
    """Draw shift against wavelength; None where fewer than two filters have a wavelength."""
    points = _points(colour)
    if len(points) < 2:
        return None
    figure, axes = _canvas.new_axes(width_px, 380)
    draw_colour(axes, colour, width_px=width_px)
    outward = "+" if setup.focuser.outward == "increasing" else "-"
    axes.set_ylabel(f"focus beyond the compromise (steps, {outward} is out)")
    if um_per_step:
        scale = um_per_step
        both: Any = (lambda steps: steps * scale, lambda um: um / scale)
        side = axes.secondary_yaxis("right", functions=both)
        _canvas.dress(side)  # type: ignore[arg-type]
        side.spines["right"].set_visible(True)
        side.spines["right"].set_color(_canvas.colour("rule"))
        side.set_ylabel("micrometres")
    words, title = macros("drawings.txt").colour(points), "Best focus against wavelength"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def _points(colour: ColourReport) -> list[ColourPoint]:
    return [p for p in colour.points if p.wavelength_nm and p.shift_steps.is_known]


def draw_colour(axes: _canvas.Axes, colour: ColourReport, *, width_px: int = 640) -> None:
    """Shift of each filter with its zone, and the curve of the lens."""
    points, curve = _points(colour), colour.curve_shift_steps
    axes.axhline(0, color=_canvas.colour("accent"), linewidth=1.2)
    if curve.size > 1:
        spread = colour.curve_sigma_steps
        _canvas.line_with_band(axes, colour.curve_wavelength_nm, curve, spread, 1.4)
    crowded, seen = _crowded(points, width_px), [0.0]
    for one in points:
        x, y, zone = float(one.wavelength_nm or 0.0), one.shift_steps.value, known(one.zone_steps)
        seen += [y - (zone or 0.0), y + (zone or 0.0)]
        if zone is not None:
            tint = _canvas.filter_colour(one.filter)
            axes.plot(
                [x, x], [y - zone, y + zone],
                color=tint, alpha=0.3, linewidth=11, solid_capstyle="butt",
            )  # fmt: skip
        sigma = known(one.shift_steps.sigma) or 0.0
        _canvas.point(axes, (x, y), sigma, one.filter, 8, edge=1, elinewidth=1.6, zorder=3)
        beside = (-10 if one.filter in crowded else 10, 0)
        _canvas.label(axes, one.filter, (x, y), beside, va="center")
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus beyond the compromise (steps)")
    axes.margins(x=0.09)
    axes.set_ylim(*_canvas.limits(seen, curve.tolist(), spare=1.0, room=0.06))


def _crowded(points: list[ColourPoint], width_px: int) -> set[str]:
    """Filters whose name would run into a neighbour on the right; it goes to the left of them."""
    wavelengths = sorted((float(p.wavelength_nm or 0.0), p.filter) for p in points)
    room_nm = 45 * (wavelengths[-1][0] - wavelengths[0][0]) / (width_px - 130)
    pairs = itertools.pairwise(wavelengths)
    return {name for (here, name), (right, _) in pairs if right - here < room_nm}


def lens_svg(lens: LensReport, *, name: str, width_px: int) -> str:
    """Draw the lens' focus against wavelength with its 95 % band, each filter's light on it."""
    figure, axes = _canvas.new_axes(width_px, 360)
    draw_lens(axes, lens)
    title, nm = "The lens: focus of each colour", lens.wavelength_nm
    places = np.linspace(nm[0], nm[-1], 7)
    curve = [places, *(np.interp(places, nm, one) for one in (lens.shift_um, lens.sigma_um))]
    words = macros("drawings.txt").lens(np.transpose(curve).tolist(), lens.filters)
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def draw_lens(axes: _canvas.Axes, lens: LensReport) -> None:
    """The curve of the lens, its band, each filter's light and best focus."""
    _canvas.line_with_band(axes, lens.wavelength_nm, lens.shift_um, lens.sigma_um, 1.2)
    for number, one in enumerate(sorted(lens.filters, key=lambda one: -one.width_nm)):
        _draw_filter(axes, lens, one, left=bool(number % 2))
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus from that of 550 nm (µm, + is out)")
    axes.margins(x=0.04)
    best = [one.focus_um.value for one in lens.filters if one.focus_um is not None]
    band = [*(lens.shift_um - 2 * lens.sigma_um), *(lens.shift_um + 2 * lens.sigma_um)]
    axes.set_ylim(*_canvas.limits([*lens.shift_um, *best], band, spare=10.0, room=0.08))


def _draw_filter(axes: _canvas.Axes, lens: LensReport, one: LensFilter, *, left: bool) -> None:
    """The stretch of the curve that a filter passes, and its best focus."""
    edges = one.wavelength_nm + np.linspace(-0.5, 0.5, 13) * one.width_nm
    axes.plot(
        edges, np.interp(edges, lens.wavelength_nm, lens.shift_um),
        color=_canvas.filter_colour(one.filter), linewidth=7 if one.width_nm < 200 else 3,
        alpha=0.4, solid_capstyle="butt",
    )  # fmt: skip
    if one.focus_um is not None:
        at, sigma = (one.wavelength_nm, one.focus_um.value), one.focus_um.sigma
        _canvas.point(axes, at, sigma, one.filter, 7, edge=0.8, elinewidth=1.4, zorder=3)
        _canvas.label(axes, one.filter, at, (-9 if left else 9, 5))
