"""Best focus of every sweep against temperature, with the filters' offsets taken off."""

import numpy as np

from ...comparison.compared import Comparison
from ...curves.fitted import CurveFit
from ..numbers import estimate_text
from ..tables import mean_temperature
from . import _canvas


def temperature_svg(fits: tuple[CurveFit, ...], comparison: Comparison, *, name: str) -> str | None:
    """Draw best focus minus the filter's offset against temperature; None for too little."""
    points = _points(fits, comparison)
    temperatures = np.array([point[1] for point in points])
    if len(points) < 2 or np.ptp(temperatures) < 0.05:
        return None
    focus = np.array([point[2] for point in points])
    figure, axes = _canvas.new_axes(560, 320)
    slope = comparison.temperature.steps_per_degC
    if slope is not None and slope.is_known:
        ends = np.array([temperatures.min(), temperatures.max()])
        middle = temperatures.mean(), focus.mean()
        axes.plot(
            ends, middle[1] + slope.value * (ends - middle[0]),
            color=_canvas.colour("muted"), linewidth=1.4,
        )  # fmt: skip
    for filter_name, temperature, position, sigma in points:
        axes.errorbar(
            [temperature], [position], yerr=[sigma], elinewidth=1.3,
            **_canvas.mark(filter_name, 7, edge=0.8),
        )  # fmt: skip
        axes.annotate(
            filter_name, (temperature, position), parse_math=False,
            xytext=(8, 4), textcoords="offset points",
            color=_canvas.colour("ink"), fontsize=11,
        )  # fmt: skip
    axes.set_xlabel("temperature (°C)")
    axes.set_ylabel("best focus less offset (steps)")
    axes.margins(0.1)
    axes.ticklabel_format(useOffset=False, style="plain")
    words = f"{len(points)} sweeps between {temperatures.min():.1f} and {temperatures.max():.1f} °C"
    rate = "not known" if slope is None else f"{estimate_text(slope, signed=True)} steps per °C"
    return _canvas.svg_text(
        figure, name=name, title="Focus against temperature",
        description=f"{words}; coefficient {rate}.",
    )  # fmt: skip


def _points(
    fits: tuple[CurveFit, ...], comparison: Comparison
) -> list[tuple[str, float, float, float]]:
    """Filter, temperature, position less offset, sigma of each answered sweep that has all."""
    offsets = {row.filter: row.offset_steps for row in comparison.rows}
    points = []
    for fit in fits:
        offset, temperature = offsets.get(fit.curve.filter), mean_temperature(fit)
        if fit.answered and offset is not None and temperature is not None:
            sigma = float(np.nan_to_num(fit.best_sigma_steps))
            points.append((fit.curve.filter, temperature, fit.best_steps - offset, sigma))
    return points
