"""One drawing for whatever the steps hand out."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .figures._canvas import Axes


def plot(thing: object, *, ax: "Axes | None" = None) -> "Axes":
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
    # Only who draws pays for loading matplotlib.
    from .figures.plots import draw

    return draw(thing, ax)
