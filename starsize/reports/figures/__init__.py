"""The drawings of the page as inline SVG. Importing this package loads matplotlib."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from ...comparison.compared import ColourReport, Comparison, FieldReport, LensReport
from ...curves import CurveFit
from ...setup import Setup
from ..tables import mean_temperature, residuals
from ..words import macros
from . import _canvas, drawings
from ._canvas import PLAIN
from .drawings import CORNERS


def in_both_widths(
    draw: Callable[..., Markup | None],
    *args: Any,
    name: str,
    widths: tuple[int, int] = (760, 380),
    **how: Any,
) -> list[tuple[str, Markup]]:
    """The same drawing for a wide and for a narrow screen; the page shows one of them."""
    both = zip(("wide", "narrow"), widths, strict=True)
    drawn = [(kind, draw(*args, name=f"{name}-{kind}", width_px=px, **how)) for kind, px in both]
    return [(kind, svg) for kind, svg in drawn if svg]


def sweep_svgs(fits: Sequence[CurveFit], *, name: str) -> list[Markup]:
    """Draw sweeps, one drawing each, of the curve and its residuals."""
    figure, (axes, below) = _canvas.new_panels(300, 190, 80)
    drawn, said = [], macros("drawings.txt")
    for number, fit in enumerate(fits, 1):
        _canvas.wipe(axes, below)
        drawings.draw_curve(axes, fit)
        drawings.draw_residuals(below, fit)
        left = np.abs(residuals(fit)[fit.used.astype(bool)])
        below.set_xlabel("focuser position (steps)")
        below.locator_params(axis="x", nbins=5)
        words = said.sweep(fit, np.nanmax(left) if np.isfinite(left).any() else None)
        title, own = f"Focus curve of sweep {fit.curve.id}", f"{name}-{number}"
        drawn.append(_canvas.svg_text(figure, name=own, title=title, description=words))
    return drawn


def overview_svg(fits: Sequence[CurveFit], *, name: str, width_px: int) -> Markup | None:
    """Draw radius against position less best focus; None for fewer than two answered sweeps."""
    shown = [fit for fit in fits if fit.answered]
    if len(shown) < 2:
        return None
    figure, (axes,) = _canvas.new_panels(width_px, 330)
    drawings.draw_overview(axes, shown, columns=7 if width_px > 500 else 4)
    words, title = macros("drawings.txt").overview(shown), "All sweeps on common axes"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def temperature_svg(
    fits: Sequence[CurveFit], comparison: Comparison, *, name: str
) -> Markup | None:
    """Draw best focus less the filter's offset against temperature; None for too little."""
    offsets = {row.filter: row.offset_steps for row in comparison.rows}
    told = [
        (fit.curve.filter, temperature, fit.best_steps - offset, fit.best_sigma_steps)
        for fit in fits
        if fit.answered
        and (offset := offsets.get(fit.curve.filter)) is not None
        and (temperature := mean_temperature(fit)) is not None
    ]
    if len(told) < 2 or np.ptp([one[1] for one in told]) < 0.05:
        return None
    names, *numbers = zip(*told, strict=True)
    temperatures, focus, sigma = np.array(numbers)
    ends = np.array([temperatures.min(), temperatures.max()])
    figure, (axes,) = _canvas.new_panels(560, 320)
    slope = comparison.temperature.steps_per_degC
    if slope is not None and slope.is_known:
        line = focus.mean() + slope.value * (ends - temperatures.mean())
        axes.plot(ends, line, color=PLAIN["muted"], linewidth=1.4)
    _canvas.points(axes, (temperatures, focus), sigma, names, 7, edge=0.8)
    for name_of, *at in zip(names, temperatures, focus, strict=True):
        _canvas.label(axes, name_of, at, (8, 4), fontsize=11)
    axes.set_xlabel("temperature (°C)")
    axes.set_ylabel("best focus less offset (steps)")
    axes.margins(0.1)
    words = macros("drawings.txt").temperature(len(told), *ends, slope)
    title = "Focus against temperature"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def colour_svg(
    colour: ColourReport, setup: Setup, *, um_per_step: float | None, name: str, width_px: int
) -> Markup | None:
    """Draw shift against wavelength; None where fewer than two filters have a wavelength."""
    points = drawings.placed(colour)
    if len(points) < 2:
        return None
    figure, (axes,) = _canvas.new_panels(width_px, 380)
    drawings.draw_colour(axes, colour, width_px=width_px)
    outward = "+" if setup.focuser.outward == "increasing" else "-"
    axes.set_ylabel(f"focus beyond the compromise (steps, {outward} is out)")
    words, title = macros("drawings.txt").colour(points), "Best focus against wavelength"
    second = ("micrometres", um_per_step) if um_per_step else None
    return _canvas.svg_text(figure, name=name, title=title, description=words, second=second)


def lens_svg(lens: LensReport, *, name: str, width_px: int) -> Markup:
    """Draw the lens' focus against wavelength with its 95 % band, each filter's light on it."""
    figure, (axes,) = _canvas.new_panels(width_px, 360)
    drawings.draw_lens(axes, lens)
    nm = np.linspace(lens.wavelength_nm[0], lens.wavelength_nm[-1], 7)
    curve = [np.interp(nm, lens.wavelength_nm, one) for one in (lens.shift_um, lens.sigma_um)]
    words = macros("drawings.txt").lens(np.transpose([nm, *curve]).tolist(), lens.filters)
    title = "The lens: focus of each colour"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def field_svg(field: FieldReport, *, steps_per_um: float, name: str, width_px: int) -> Markup:
    """Draw the plane and bowl of a field; ``steps_per_um`` is negative if steps count inward."""
    width, height = field.frame_px or (1.0, 1.0)
    figure, (axes,) = _canvas.new_panels(width_px, round(width_px * height / width) + 84)
    drawings.draw_field(axes, field, steps_per_um=steps_per_um)
    corners = [steps_per_um * corner.value for corner in field.corners_um]
    named = list(zip(CORNERS, corners, strict=True))
    words = macros("drawings.txt").field(named, field.towards_telescope)
    title = "Best focus over the frame"
    return _canvas.svg_text(figure, name=name, title=title, description=words, beside_px=42.0)
