"""Sweeps drawn: one with its residuals, all on common axes, all against temperature."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from ...comparison.compared import Comparison
from ...curves import CurveFit, radius_at
from ...curves.residuals import curve_sigma_px, residual_sigmas
from ..filled import macros
from ..numbers import known, number_text
from ..tables import left_out_letters, mean_temperature
from . import _canvas

#: So many points make a smooth line.
_POINTS = 97
#: The residuals' panel ends here, in standard uncertainties.
_FARTHEST = 5.0


def sweep_svgs(fits: Sequence[CurveFit], *, name: str) -> list[str]:
    """Draw sweeps, one drawing each: the same two panels, wiped in between."""
    figure, (axes, below) = _canvas.new_panels(300, (190, 80))
    drawn, said = [], macros("drawings.txt")
    for number, fit in enumerate(fits, 1):
        _canvas.wipe(axes, below)
        draw_curve(axes, fit)
        _residuals(below, fit)
        below.set_xlabel("focuser position (steps)")
        below.locator_params(axis="x", nbins=5)
        below.xaxis.set_major_formatter(lambda value, _: number_text(value, digits=8))
        left = np.abs(residual_sigmas(fit)[fit.used.astype(bool)])
        words = said.sweep(fit, np.nanmax(left) if np.isfinite(left).any() else None)
        title, own = f"Focus curve of sweep {fit.curve.id}", f"{name}-{number}"
        drawn.append(_canvas.svg_text(figure, name=own, title=title, description=words))
    return drawn


def draw_curve(axes: _canvas.Axes, fit: CurveFit) -> None:
    """Frames, curve with its band, best focus with its interval."""
    curve = fit.curve
    tint = _canvas.filter_colour(curve.filter)
    if fit.answered:
        low, high = fit.interval95_steps
        if known(low) is not None and known(high) is not None:
            axes.axvspan(low, high, color=_canvas.colour("accent"), alpha=0.22, linewidth=0)
        axes.axvline(fit.best_steps, color=_canvas.colour("accent"), linewidth=1.2)
        position, radius = _line(fit)
        few, spread = slice(None, None, 6), 2 * curve_sigma_px(fit, position[::6])
        axes.fill_between(
            position[few], radius[few] - spread, radius[few] + spread,
            color=tint, alpha=0.3, linewidth=0,
        )  # fmt: skip
        axes.plot(position, radius, color=tint, linewidth=1.6)
    _points(axes, fit)
    shown = curve.radius_px[np.isfinite(curve.radius_px)]
    axes.set_ylim(0, 1.12 * (float(shown.max()) if shown.size else 1.0))
    axes.set_ylabel("HFR (px)")
    axes.locator_params(axis="y", nbins=5)


@lru_cache(maxsize=64)
def _line(fit: CurveFit) -> tuple[np.ndarray, np.ndarray]:
    """The curve of an answered sweep from its first position to its last; drawn several times."""
    seen = fit.curve.position_steps
    position = np.linspace(seen.min(), seen.max(), _POINTS)
    return position, radius_at(fit, position)


def _points(axes: _canvas.Axes, fit: CurveFit) -> None:
    curve, used, warn = fit.curve, fit.used.astype(bool), _canvas.colour("warn")
    if used.any():
        axes.errorbar(
            curve.position_steps[used], curve.radius_px[used],
            yerr=np.nan_to_num(curve.radius_sigma_px[used]),
            **_canvas.mark(curve.filter, 6, edge=0.8), elinewidth=1.2, zorder=3,
        )  # fmt: skip
    axes.plot(
        curve.position_steps[~used], curve.radius_px[~used],
        marker="x", linestyle="none", color=warn, markersize=8, markeredgewidth=1.8, zorder=4,
    )  # fmt: skip
    points = zip(curve.position_steps, curve.radius_px, left_out_letters(fit), strict=True)
    for x, y, letter in points:
        if letter:
            style = {"color": warn, "fontsize": 11, "annotation_clip": False}
            _canvas.label(axes, letter, (x, y), (7, 3), **style)


def _residuals(axes: _canvas.Axes, fit: CurveFit) -> None:
    """Measured less fitted in standard uncertainties; what lies beyond the panel at its edge."""
    axes.axhspan(-2, 2, color=_canvas.colour("muted"), alpha=0.14, linewidth=0)
    axes.axhline(0, color=_canvas.colour("rule"), linewidth=0.8)
    axes.set_ylim(-_FARTHEST, _FARTHEST)
    axes.set_yticks([-3, 0, 3])
    axes.set_ylabel("residual (σ)")
    left = np.clip(residual_sigmas(fit), -0.92 * _FARTHEST, 0.92 * _FARTHEST)
    used = fit.used.astype(bool)
    axes.plot(
        fit.curve.position_steps[used], left[used], **_canvas.mark(fit.curve.filter, 4.5),
        markeredgewidth=0, zorder=3, clip_on=False,
    )  # fmt: skip
    axes.plot(
        fit.curve.position_steps[~used], left[~used], color=_canvas.colour("warn"), marker="x",
        linestyle="none", markersize=6, markeredgewidth=1.6, zorder=3, clip_on=False,
    )  # fmt: skip


def overview_svg(fits: tuple[CurveFit, ...], *, name: str, width_px: int) -> str | None:
    """Draw radius against position less best focus; None for fewer than two answered sweeps."""
    shown = [fit for fit in fits if fit.answered]
    if len(shown) < 2:
        return None
    figure, axes = _canvas.new_axes(width_px, 330)
    draw_overview(axes, shown, columns=7 if width_px > 500 else 4)
    words, title = macros("drawings.txt").overview(shown), "All sweeps on common axes"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def draw_overview(axes: _canvas.Axes, fits: Sequence[CurveFit], *, columns: int = 7) -> None:
    """Draw answered sweeps, each from its own best focus."""
    named: set[str] = set()
    for fit in fits:
        curve, used, name = fit.curve, fit.used.astype(bool), fit.curve.filter
        position, radius = _line(fit)
        tint = _canvas.filter_colour(name)
        axes.plot(position - fit.best_steps, radius, color=tint, linewidth=1.1, alpha=0.8)
        axes.plot(
            curve.position_steps[used] - fit.best_steps, curve.radius_px[used],
            **_canvas.mark(name, 5, edge=0.5), label=None if name in named else name,
        )  # fmt: skip
        named.add(name)
    axes.margins(y=0.16)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("focuser position less best focus (steps)")
    axes.set_ylabel("HFR (px)")
    axes.legend(
        frameon=False, labelcolor=_canvas.colour("ink"), fontsize=11, loc="upper center",
        ncols=min(len(named), columns), handletextpad=0.3, columnspacing=1.0,
    )  # fmt: skip


def temperature_svg(fits: tuple[CurveFit, ...], comparison: Comparison, *, name: str) -> str | None:
    """Draw best focus minus the filter's offset against temperature; None for too little."""
    points = _sweeps_with_temperature(fits, comparison)
    temperatures = np.array([point[1] for point in points])
    if len(points) < 2 or np.ptp(temperatures) < 0.05:
        return None
    focus = np.array([point[2] for point in points])
    ends = np.array([temperatures.min(), temperatures.max()])
    figure, axes = _canvas.new_axes(560, 320)
    slope = comparison.temperature.steps_per_degC
    if slope is not None and slope.is_known:
        line = focus.mean() + slope.value * (ends - temperatures.mean())
        axes.plot(ends, line, color=_canvas.colour("muted"), linewidth=1.4)
    for filter_name, *at, sigma in points:
        _canvas.point(axes, at, sigma, filter_name, 7, edge=0.8, elinewidth=1.3)
        _canvas.label(axes, filter_name, at, (8, 4), fontsize=11)
    axes.set_xlabel("temperature (°C)")
    axes.set_ylabel("best focus less offset (steps)")
    axes.margins(0.1)
    axes.ticklabel_format(useOffset=False, style="plain")
    words = macros("drawings.txt").temperature(len(points), *ends, slope)
    title = "Focus against temperature"
    return _canvas.svg_text(figure, name=name, title=title, description=words)


def _sweeps_with_temperature(
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
