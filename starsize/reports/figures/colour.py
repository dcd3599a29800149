"""Focus against wavelength: every filter with its zone, and the smooth colour curve."""

import itertools
from typing import Any

import numpy as np

from ...comparison.compared import ColourPoint, ColourReport
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
    """Shift of each filter with its zone, and the smooth colour curve."""
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
