"""Focus against wavelength: every filter with its zone, and the lens."""

import itertools
from typing import Any

import numpy as np

from ...comparison.compared import ColourPoint, ColourReport, LensFilter, LensReport
from ...setup import Setup
from ..numbers import estimate_text, known, number_text
from . import _canvas


def colour_svg(
    colour: ColourReport, setup: Setup, *, um_per_step: float | None, name: str, width_px: int
) -> str | None:
    """Draw shift against wavelength; None where fewer than two filters have a wavelength."""
    points = [p for p in colour.points if p.wavelength_nm and p.shift_steps.is_known]
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
    return _canvas.svg_text(
        figure, name=name, title="Best focus against wavelength", description=_words(points)
    )


def draw_colour(axes: _canvas.Axes, colour: ColourReport, *, width_px: int = 640) -> None:
    """Shift of each filter with its zone, and the curve of the lens."""
    points = [p for p in colour.points if p.wavelength_nm and p.shift_steps.is_known]
    axes.axhline(0, color=_canvas.colour("accent"), linewidth=1.2)
    _colour_curve(axes, colour)
    crowded = _crowded(points, width_px)
    for point in points:
        _draw_point(axes, point, label_left=point.filter in crowded)
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus beyond the compromise (steps)")
    axes.margins(x=0.09)
    axes.set_ylim(*_height(points, colour))


def _height(points: list[ColourPoint], colour: ColourReport) -> tuple[float, float]:
    """Room for every zone and the common position; the curve may add half as much again."""
    reach = [(p.shift_steps.value, known(p.zone_steps) or 0.0) for p in points]
    low = min(0.0, *(y - zone for y, zone in reach))
    high = max(0.0, *(y + zone for y, zone in reach))
    spare = (high - low) / 2 or 1.0
    if colour.curve_shift_steps.size:
        low = min(low, max(low - spare, float(colour.curve_shift_steps.min())))
        high = max(high, min(high + spare, float(colour.curve_shift_steps.max())))
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room


def _colour_curve(axes: _canvas.Axes, colour: ColourReport) -> None:
    if colour.curve_wavelength_nm.size < 2:
        return
    wavelength, shift = colour.curve_wavelength_nm, colour.curve_shift_steps
    spread = np.nan_to_num(colour.curve_sigma_steps)
    ink = _canvas.colour("muted")
    axes.fill_between(
        wavelength, shift - 2 * spread, shift + 2 * spread, color=ink, alpha=0.16, linewidth=0
    )
    axes.plot(wavelength, shift, color=ink, linewidth=1.4)


def _crowded(points: list[ColourPoint], width_px: int) -> set[str]:
    """Filters whose name would run into a neighbour on the right; it goes to the left of them."""
    wavelengths = sorted((float(p.wavelength_nm or 0.0), p.filter) for p in points)
    room_nm = 45 * (wavelengths[-1][0] - wavelengths[0][0]) / (width_px - 130)
    pairs = itertools.pairwise(wavelengths)
    return {name for (here, name), (right, _) in pairs if right - here < room_nm}


def _draw_point(axes: _canvas.Axes, point: ColourPoint, *, label_left: bool) -> None:
    tint = _canvas.filter_colour(point.filter)
    x, y = float(point.wavelength_nm or 0.0), point.shift_steps.value
    zone = known(point.zone_steps)
    if zone is not None:
        axes.plot(
            [x, x], [y - zone, y + zone],
            color=tint, alpha=0.3, linewidth=11, solid_capstyle="butt",
        )  # fmt: skip
    axes.errorbar(
        [x], [y], yerr=[known(point.shift_steps.sigma) or 0.0],
        **_canvas.mark(point.filter, 8, edge=1), elinewidth=1.6, zorder=3,
    )  # fmt: skip
    axes.annotate(
        point.filter, (x, y), parse_math=False,
        xytext=(-10 if label_left else 10, 0), textcoords="offset points",
        color=_canvas.colour("ink"), fontsize=12, va="center",
        ha="right" if label_left else "left",
    )  # fmt: skip


def _words(points: list[ColourPoint]) -> str:
    parts = [
        f"{p.filter} at {number_text(p.wavelength_nm, digits=4)} nm: "
        f"{estimate_text(p.shift_steps, signed=True)} steps"
        for p in points
    ]
    return "; ".join(parts) + "."


def lens_svg(lens: LensReport, *, name: str, width_px: int) -> str:
    """Draw the lens' focus against wavelength with its 95 % band, each filter's light on it."""
    figure, axes = _canvas.new_axes(width_px, 360)
    draw_lens(axes, lens)
    return _canvas.svg_text(
        figure, name=name, title="The lens: focus of each colour", description=_lens_words(lens)
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
        _draw_filter(axes, lens, one, left=bool(number % 2))
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus from that of 550 nm (µm, + is out)")
    axes.margins(x=0.04)
    axes.set_ylim(*_lens_height(lens))


def _draw_filter(axes: _canvas.Axes, lens: LensReport, one: LensFilter, *, left: bool) -> None:
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


def _lens_height(lens: LensReport) -> tuple[float, float]:
    """Room for the curve and every filter; of the band no more than half as much again."""
    values = [one.focus_um.value for one in lens.filters if one.focus_um is not None]
    low = min(float(lens.shift_um.min()), *values)
    high = max(float(lens.shift_um.max()), *values)
    spare = (high - low) / 2 or 10.0
    low = max(low - spare, min(low, float((lens.shift_um - 2 * lens.sigma_um).min())))
    high = min(high + spare, max(high, float((lens.shift_um + 2 * lens.sigma_um).max())))
    room = 0.08 * (high - low)
    return low - room, high + room


def _lens_words(lens: LensReport) -> str:
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
