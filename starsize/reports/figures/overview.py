"""All sweeps on common axes, each counted from its own best focus."""

from collections.abc import Sequence

import numpy as np

from ...curves import CurveFit, radius_at
from ..numbers import estimate_text
from . import _canvas

_POINTS = 81


def overview_svg(fits: tuple[CurveFit, ...], *, name: str, width_px: int) -> str | None:
    """Draw radius against position less best focus; None for fewer than two answered sweeps."""
    shown = [fit for fit in fits if fit.answered]
    if len(shown) < 2:
        return None
    figure, axes = _canvas.new_axes(width_px, 330)
    draw_overview(axes, shown, columns=7 if width_px > 500 else 4)
    return _canvas.svg_text(
        figure, name=name, title="All sweeps on common axes", description=_words(shown)
    )


def draw_overview(axes: _canvas.Axes, fits: Sequence[CurveFit], *, columns: int = 7) -> None:
    """Draw answered sweeps, each from its own best focus."""
    named: set[str] = set()
    for fit in fits:
        _draw(axes, fit, first=fit.curve.filter not in named)
        named.add(fit.curve.filter)
    axes.margins(y=0.16)
    axes.set_ylim(bottom=0)
    axes.set_xlabel("focuser position less best focus (steps)")
    axes.set_ylabel("HFR (px)")
    axes.legend(
        frameon=False, labelcolor=_canvas.colour("ink"), fontsize=11, loc="upper center",
        ncols=min(len(named), columns), handletextpad=0.3, columnspacing=1.0,
    )  # fmt: skip


def _draw(axes: _canvas.Axes, fit: CurveFit, *, first: bool) -> None:
    curve, used = fit.curve, fit.used.astype(bool)
    tint = _canvas.filter_colour(curve.filter)
    position = np.linspace(curve.position_steps.min(), curve.position_steps.max(), _POINTS)
    axes.plot(
        position - fit.best_steps, radius_at(fit, position), color=tint, linewidth=1.1, alpha=0.8
    )
    axes.plot(
        curve.position_steps[used] - fit.best_steps, curve.radius_px[used],
        **_canvas.mark(curve.filter, 5, edge=0.5), label=curve.filter if first else None,
    )  # fmt: skip


def _words(fits: list[CurveFit]) -> str:
    parts = [f"{fit.curve.id}: smallest HFR {estimate_text(fit.floor_px)} px" for fit in fits]
    return "; ".join(parts) + "."
