"""One sweep drawn: radii, the fitted curve with its band, best focus, and the residuals below."""

import numpy as np

from ...curves import CurveFit, radius_at
from ...curves.residuals import curve_sigma_px, residual_sigmas
from ..letters import left_out_letters
from ..numbers import estimate_text, known, number_text
from ..sentences import VERDICT_WORDS
from . import _canvas

#: So many points make a smooth line.
_POINTS = 97
#: The residuals' panel ends here, in standard uncertainties.
_FARTHEST = 5.0


def sweep_svg(fit: CurveFit, *, name: str) -> str:
    """Draw one sweep."""
    figure, (axes, below) = _canvas.new_panels(300, (190, 80))
    draw_curve(axes, fit)
    _residuals(below, fit)
    below.set_xlabel("focuser position (steps)")
    below.locator_params(axis="x", nbins=5)
    below.xaxis.set_major_formatter(lambda value, _: number_text(value, digits=8))
    return _canvas.svg_text(
        figure, name=name, title=f"Focus curve of sweep {fit.curve.id}", description=_words(fit)
    )


def draw_curve(axes: _canvas.Axes, fit: CurveFit) -> None:
    """Frames, curve with its band, best focus with its interval."""
    curve = fit.curve
    tint = _canvas.filter_colour(curve.filter)
    if fit.answered:
        low, high = fit.interval95_steps
        if known(low) is not None and known(high) is not None:
            axes.axvspan(low, high, color=_canvas.colour("accent"), alpha=0.22, linewidth=0)
        axes.axvline(fit.best_steps, color=_canvas.colour("accent"), linewidth=1.2)
        position = np.linspace(curve.position_steps.min(), curve.position_steps.max(), _POINTS)
        radius = radius_at(fit, position)
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
            axes.annotate(
                letter, (x, y), xytext=(7, 3), textcoords="offset points", color=warn, fontsize=11,
                annotation_clip=False,
            )  # fmt: skip


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


def _words(fit: CurveFit) -> str:
    curve = fit.curve
    frames = f"{curve.position_steps.size} frames"
    if not fit.answered:
        return f"{frames}, {VERDICT_WORDS[fit.verdict]}. {fit.reason}"
    from_to = ""
    if curve.position_steps.size:
        low, high = curve.position_steps.min(), curve.position_steps.max()
        from_to = f" from {number_text(low, digits=8)} to {number_text(high, digits=8)} steps"
    best = number_text(fit.best_steps, sigma=fit.best_sigma_steps)
    return (
        f"{frames}{from_to}. Best focus at {best} steps, standard uncertainty "
        f"{number_text(fit.best_sigma_steps, digits=2)}; smallest half-flux radius "
        f"{estimate_text(fit.floor_px)} pixels.{_farthest(fit)}"
    )


def _farthest(fit: CurveFit) -> str:
    """The largest residual of the frames that count, in words."""
    left = np.abs(residual_sigmas(fit)[fit.used.astype(bool)])
    if not np.isfinite(left).any():
        return ""
    return f" No frame in use lies further off the curve than {np.nanmax(left):.1f} of its sigma."
