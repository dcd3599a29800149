"""Drawings for notebooks and scripts: one call for whatever the steps hand out."""

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


def plot(thing: Any, *, ax: Axes | None = None) -> Axes:
    """Draw a sweep, a fit, all sweeps, the offset table, the colours, the lens or the field.

    Parameters
    ----------
    thing : MeasuredSweep, FocusCurve, CurveFit, CurveSet, Comparison, ColourReport, LensReport, \
FieldReport or RunResult
        A result is drawn as its offset table. A field is drawn in micrometres.
    ax : matplotlib.axes.Axes, optional
        Where to draw; new axes by default, which a notebook shows.

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    TypeError
        If it is none of these.

    Examples
    --------
    >>> import numpy as np
    >>> import starsize
    >>> position = np.arange(900, 1101, 25)
    >>> curve = starsize.focus_curve(position, np.hypot(2.0, 0.05 * (position - 1004)), 0.01)
    >>> axes = plot(starsize.fit_curve(curve))
    >>> axes.get_xlabel()
    'focuser position (steps)'
    """
    with _canvas.plain_axes(ax) as canvas:
        match thing:
            case CurveFit():
                draw_curve(canvas, thing)
                canvas.set_xlabel(_POSITION)
                canvas.set_title(thing.curve.id)
            case FocusCurve():
                _points(canvas, thing, thing.position_steps, thing.radius_px, thing.radius_sigma_px)
            case MeasuredSweep(frames=frames):
                position = [known(f.facts.position_steps) for f in frames]
                radius, sigma = [f.radius_px for f in frames], [f.radius_sigma_px for f in frames]
                _points(canvas, thing, *(np.array(c, float) for c in (position, radius, sigma)))
            case CurveSet():
                draw_overview(canvas, thing.answered)
            case Comparison():
                _offsets(canvas, thing)
            case RunResult():
                _offsets(canvas, thing.comparison)
            case ColourReport():
                draw_colour(canvas, thing)
            case LensReport():
                draw_lens(canvas, thing)
            case FieldReport():
                # The report alone is in micrometres: one "step" is one of them.
                draw_field(canvas, thing, steps_per_um=1.0)
            case _:
                msg = (
                    "'thing' must be a sweep, a fit, an offset table, a colour, lens or field "
                    f"report or a result, got {type(thing).__name__}"
                )
                raise TypeError(msg)
        _canvas.dress(canvas)
    return canvas


def _offsets(axes: Axes, table: Comparison) -> None:
    rows = [row for row in table.rows if known(row.offset_steps) is not None]
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
    axes.set_xlabel(f"offset from {table.reference} (steps); bar: zone")


def _points(
    axes: Axes,
    sweep: FocusCurve | MeasuredSweep,
    position: np.ndarray,
    radius: np.ndarray,
    sigma: np.ndarray,
) -> None:
    axes.errorbar(position, radius, yerr=np.nan_to_num(sigma), **_canvas.mark(sweep.filter, 6))
    axes.set_ylim(bottom=0)
    axes.set_xlabel(_POSITION)
    axes.set_ylabel("HFR (px)")
    axes.set_title(sweep.id)
