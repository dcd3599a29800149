"""Drawings for notebooks and scripts: one call for whatever the steps hand out."""

from functools import singledispatch
from typing import Any

import numpy as np

from ...comparison.compared import ColourReport, Comparison, FieldReport, LensReport
from ...curves.curve import FocusCurve
from ...curves.fitted import CurveFit, CurveSet
from ...tracking.measured import MeasuredSweep
from ..numbers import known
from ..result import RunResult
from . import _canvas
from ._canvas import Axes
from .colour import draw_colour, draw_lens
from .field import draw_field
from .sweeps import draw_curve, draw_overview

_POSITION = "focuser position (steps)"


def draw(thing: Any, axes: Axes | None) -> Axes:
    """See ``starsize.plot``."""
    with _canvas.plain_axes(axes) as canvas:
        _draw(thing, canvas)
        _canvas.dress(canvas)
    return canvas


@singledispatch
def _draw(thing: Any, axes: Axes) -> None:
    del axes
    raise TypeError(
        "'thing' must be a sweep, a fit, an offset table, a colour, lens or field report or a "
        f"result, got {type(thing).__name__}"
    )


@_draw.register
def _(thing: CurveFit, axes: Axes) -> None:
    draw_curve(axes, thing)
    axes.set_xlabel(_POSITION)
    axes.set_title(thing.curve.id)


@_draw.register
def _(thing: FocusCurve, axes: Axes) -> None:
    _points(axes, thing.filter, thing.position_steps, thing.radius_px, thing.radius_sigma_px)
    axes.set_title(thing.id)


@_draw.register
def _(thing: MeasuredSweep, axes: Axes) -> None:
    position = [known(f.facts.position_steps) for f in thing.frames]
    radius = [f.radius_px for f in thing.frames]
    sigma = [f.radius_sigma_px for f in thing.frames]
    _points(axes, thing.filter, *(np.array(column, float) for column in (position, radius, sigma)))
    axes.set_title(thing.id)


@_draw.register
def _(thing: CurveSet, axes: Axes) -> None:
    draw_overview(axes, thing.answered)


@_draw.register
def _(thing: Comparison, axes: Axes) -> None:
    rows = [row for row in thing.rows if known(row.offset_steps) is not None]
    for place, row in enumerate(rows):
        tint = _canvas.filter_colour(row.filter)
        offset, zone = float(row.offset_steps or 0.0), known(row.zone_steps)
        if zone is not None:
            axes.barh(place, 2 * zone, left=offset - zone, height=0.5, color=tint, alpha=0.3)
        axes.errorbar(
            [offset], [place], xerr=[known(row.offset_sigma_steps) or 0.0],
            **_canvas.mark(row.filter, 7),
        )  # fmt: skip
    axes.axvline(0, color=_canvas.colour("ink"), linewidth=1.0)
    axes.set_yticks(range(len(rows)), [row.filter for row in rows])
    axes.invert_yaxis()
    axes.set_xlabel(f"offset from {thing.reference} (steps); bar: zone")


@_draw.register
def _(thing: ColourReport, axes: Axes) -> None:
    draw_colour(axes, thing)


@_draw.register
def _(thing: LensReport, axes: Axes) -> None:
    draw_lens(axes, thing)


@_draw.register
def _(thing: FieldReport, axes: Axes) -> None:
    # The report alone is in micrometres: one "step" is one of them.
    draw_field(axes, thing, steps_per_um=1.0)


@_draw.register
def _(thing: RunResult, axes: Axes) -> None:
    _draw(thing.comparison, axes)


def _points(
    axes: Axes, band: str, position: np.ndarray, radius: np.ndarray, sigma: np.ndarray
) -> None:
    axes.errorbar(position, radius, yerr=np.nan_to_num(sigma), **_canvas.mark(band, 6))
    axes.set_ylim(bottom=0)
    axes.set_xlabel(_POSITION)
    axes.set_ylabel("HFR (px)")
