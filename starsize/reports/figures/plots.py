"""Drawings for notebooks and scripts: one call for whatever the steps hand out."""

from typing import Any

import numpy as np

from ...comparison.compared import ColourReport, Comparison, FieldReport, LensReport
from ...curves.curve import FocusCurve
from ...curves.fitted import CurveFit, CurveSet
from ...tracking.measured import MeasuredSweep
from ..numbers import known
from ..result import RunResult
from . import _canvas, drawings

_POSITION = "focuser position (steps)"


def plot(thing: Any, *, ax: _canvas.Axes | None = None) -> _canvas.Axes:
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
    canvas = _canvas.own_axes() if ax is None else ax
    match thing:
        case CurveFit():
            drawings.draw_curve(canvas, thing)
            canvas.set(xlabel=_POSITION, title=thing.curve.id)
        case FocusCurve():
            _points(canvas, thing, thing.position_steps, thing.radius_px, thing.radius_sigma_px)
        case MeasuredSweep(frames=frames):
            position = [known(f.facts.position_steps) for f in frames]
            radius, sigma = [f.radius_px for f in frames], [f.radius_sigma_px for f in frames]
            _points(canvas, thing, *np.array([position, radius, sigma], float))
        case CurveSet():
            drawings.draw_overview(canvas, thing.answered)
        case Comparison():
            drawings.draw_offsets(canvas, thing)
        case RunResult():
            drawings.draw_offsets(canvas, thing.comparison)
        case ColourReport():
            drawings.draw_colour(canvas, thing)
        case LensReport():
            drawings.draw_lens(canvas, thing)
        case FieldReport():
            # The report alone is in micrometres: one "step" is one of them.
            drawings.draw_field(canvas, thing, steps_per_um=1.0)
        case _:
            msg = (
                "'thing' must be a sweep, a fit, an offset table, a colour, lens or field "
                f"report or a result, got {type(thing).__name__}"
            )
            raise TypeError(msg)
    _canvas.dress(canvas)
    return canvas


def _points(
    axes: _canvas.Axes, sweep: FocusCurve | MeasuredSweep, position: Any, radius: Any, sigma: Any
) -> None:
    _canvas.points(axes, (position, radius), sigma, [sweep.filter] * len(position), 6)
    axes.set_ylim(bottom=0)
    axes.set(xlabel=_POSITION, ylabel="HFR (px)", title=sweep.id)
