"""What is drawn on axes, on the page and by ``plot``: curves, all sweeps, colours, lens, field."""

import dataclasses
import itertools
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np

from ...comparison.compared import ColourPoint, ColourReport, Comparison, FieldReport, LensReport
from ...curves import CurveFit, radius_at
from ...curves.fitted import curve_sigma_px
from ..numbers import known, with_sign
from ..tables import left_out_letters, residuals
from . import _canvas
from ._canvas import PLAIN, Axes

#: So many points make a smooth line; the band about it needs every sixth.
_POINTS: Final = 97
#: The residuals' panel ends here, in standard uncertainties.
_FARTHEST: Final = 5.0

CORNERS: Final = ("lower left", "lower right", "upper left", "upper right")
#: Where the edges of the field run, the frame reaching from -1 to 1.
_EDGES: Final = {
    "left": ((-1, -1), (-1, 1)), "right": ((1, 1), (-1, 1)),
    "lower": ((-1, 1), (-1, -1)), "upper": ((-1, 1), (1, 1)),
}  # fmt: skip
#: About so many contours of the field.
_LINES: Final = 12


def draw_curve(axes: Axes, fit: CurveFit) -> None:
    """Frames, curve with its band, best focus with its interval."""
    curve, used = fit.curve, fit.used.astype(bool)
    tint, warn, accent = _canvas.filter_colour(curve.filter), PLAIN["warn"], PLAIN["accent"]
    if fit.answered:
        low, high = fit.interval95_steps
        if known(low) is not None and known(high) is not None:
            axes.axvspan(low, high, color=accent, alpha=0.22, linewidth=0)
        axes.axvline(fit.best_steps, color=accent, linewidth=1.2)
        position, radius, spread = curve_line(fit)
        axes.fill_between(
            position[::6], radius[::6] - spread, radius[::6] + spread,
            color=tint, alpha=0.3, linewidth=0,
        )  # fmt: skip
        axes.plot(position, radius, color=tint, linewidth=1.6)
    at = np.array([curve.position_steps, curve.radius_px])
    sigma, names = curve.radius_sigma_px[used], [curve.filter] * int(used.sum())
    _canvas.points(axes, at[:, used], sigma, names, 6, edge=0.8)
    axes.plot(*at[:, ~used], "x", color=warn, markersize=8, markeredgewidth=1.8, zorder=4)
    for place, letter in zip(at.T, left_out_letters(fit), strict=True):
        if letter:
            _canvas.label(axes, letter, place, (7, 3), color=warn, fontsize=11)
    axes.set_ylim(0, 1.12 * max(curve.radius_px[np.isfinite(curve.radius_px)], default=1.0))
    axes.set_ylabel("HFR (px)")
    axes.locator_params(axis="y", nbins=5)


@lru_cache(maxsize=64)
def curve_line(fit: CurveFit) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The curve of an answered sweep over its positions, and twice the sigma of each sixth point.

    Kept, for one sweep is drawn several times.
    """
    seen = fit.curve.position_steps
    position = np.linspace(seen.min(), seen.max(), _POINTS)
    return position, radius_at(fit, position), 2 * curve_sigma_px(fit, position[::6])


def draw_residuals(axes: Axes, fit: CurveFit) -> None:
    """Measured less fitted in standard uncertainties; what lies beyond the panel at its edge."""
    used, position = fit.used.astype(bool), fit.curve.position_steps
    axes.axhspan(-2, 2, color=PLAIN["muted"], alpha=0.14, linewidth=0)
    axes.axhline(0, color=PLAIN["rule"], linewidth=0.8)
    axes.set_ylim(-_FARTHEST, _FARTHEST)
    axes.set_yticks([-3, 0, 3])
    axes.set_ylabel("residual (σ)")
    left = np.clip(residuals(fit), -0.92 * _FARTHEST, 0.92 * _FARTHEST)
    style = _canvas.mark(fit.curve.filter, 4.5, edge=0.0) | {"clip_on": False}
    axes.plot(position[used], left[used], **style, zorder=3)
    axes.plot(
        position[~used], left[~used], "x", color=PLAIN["warn"], markersize=6,
        markeredgewidth=1.6, zorder=3, clip_on=False,
    )  # fmt: skip


def draw_overview(axes: Axes, fits: Sequence[CurveFit], *, columns: int = 7) -> None:
    """Draw answered sweeps, each from its own best focus."""
    named: set[str] = set()
    for fit in fits:
        curve, used, name = fit.curve, fit.used.astype(bool), fit.curve.filter
        position, radius, _ = curve_line(fit)
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
        frameon=False, labelcolor=PLAIN["ink"], fontsize=11, loc="upper center",
        ncols=min(len(named), columns), handletextpad=0.3, columnspacing=1.0,
    )  # fmt: skip


def draw_offsets(axes: Axes, table: Comparison) -> None:
    """Each filter's offset with its uncertainty on the bar of its zone."""
    rows = [row for row in table.rows if known(row.offset_steps) is not None]
    for place, row in enumerate(rows):
        tint, offset = _canvas.filter_colour(row.filter), float(row.offset_steps or 0.0)
        zone, sigma = known(row.zone_steps), known(row.offset_sigma_steps) or 0.0
        if zone is not None:
            axes.barh(place, 2 * zone, left=offset - zone, height=0.5, color=tint, alpha=0.3)
        axes.hlines(place, offset - sigma, offset + sigma, colors=tint, linewidth=1.3)
        axes.plot(offset, place, **_canvas.mark(row.filter, 7))
    axes.axvline(0, color=PLAIN["ink"], linewidth=1.0)
    axes.set_yticks(range(len(rows)), [row.filter for row in rows])
    axes.invert_yaxis()
    axes.set_xlabel(f"offset from {table.reference} (steps); bar: zone")


def placed(colour: ColourReport) -> list[ColourPoint]:
    """Filters whose wavelength and best focus are both known."""
    return [p for p in colour.points if p.wavelength_nm and p.shift_steps.is_known]


def draw_colour(axes: Axes, colour: ColourReport, *, width_px: int = 640) -> None:
    """Shift of each filter with its zone, and the curve of the lens."""
    some, curve = placed(colour), colour.curve_shift_steps
    axes.axhline(0, color=PLAIN["accent"], linewidth=1.2)
    if curve.size > 1:
        spread = colour.curve_sigma_steps
        _canvas.line_with_band(axes, colour.curve_wavelength_nm, curve, spread, 1.4)
    nm, names = [float(one.wavelength_nm or 0.0) for one in some], [one.filter for one in some]
    steps, sigma = np.reshape([dataclasses.astuple(one.shift_steps) for one in some], (-1, 2)).T
    zone = np.array([known(one.zone_steps) or 0.0 for one in some])
    tints = [_canvas.filter_colour(name) for name in names]
    axes.vlines(nm, steps - zone, steps + zone, colors=tints, alpha=0.3, linewidth=11)
    _canvas.points(axes, (nm, steps), sigma, names, 8, edge=1)
    crowded = _crowded(sorted(zip(nm, names, strict=True)), width_px)
    for name, *at in zip(names, nm, steps, strict=True):
        _canvas.label(axes, name, at, (-10 if name in crowded else 10, 0), va="center")
    seen = [0.0, *(steps - zone), *(steps + zone)]
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus beyond the compromise (steps)")
    axes.margins(x=0.09)
    axes.set_ylim(*_canvas.limits(seen, curve.tolist(), spare=1.0, room=0.06))


def _crowded(places: list[tuple[float, str]], width_px: int) -> set[str]:
    """Filters whose name would run into a neighbour on the right; it goes to the left of them."""
    room_nm = 45 * (places[-1][0] - places[0][0]) / (width_px - 130) if places else 0.0
    pairs = itertools.pairwise(places)
    return {name for (here, name), (right, _) in pairs if right - here < room_nm}


def draw_lens(axes: Axes, lens: LensReport) -> None:
    """The curve of the lens and its band; on it the light of each filter and its best focus."""
    nm, shift, spread = lens.wavelength_nm, lens.shift_um, 2 * lens.sigma_um
    _canvas.line_with_band(axes, nm, shift, lens.sigma_um, 1.2)
    seen = shift.tolist()
    for number, one in enumerate(sorted(lens.filters, key=lambda one: -one.width_nm)):
        edges = one.wavelength_nm + np.linspace(-0.5, 0.5, 13) * one.width_nm
        axes.plot(
            edges, np.interp(edges, nm, shift), color=_canvas.filter_colour(one.filter), alpha=0.4,
            linewidth=7 if one.width_nm < 200 else 3, solid_capstyle="butt",
        )  # fmt: skip
        if (best := one.focus_um) is not None:
            at = (one.wavelength_nm, best.value)
            seen.append(best.value)
            _canvas.points(axes, np.reshape(at, (2, 1)), best.sigma, [one.filter], 7, edge=0.8)
            _canvas.label(axes, one.filter, at, (-9 if number % 2 else 9, 5))
    axes.set_xlabel("wavelength (nm)")
    axes.set_ylabel("focus from that of 550 nm (µm, + is out)")
    axes.margins(x=0.04)
    band = [*(shift - spread), *(shift + spread)]
    axes.set_ylim(*_canvas.limits(seen, band, spare=10.0, room=0.08))


def draw_field(axes: Axes, field: FieldReport, *, steps_per_um: float) -> None:
    """Contours of the plane and bowl, corners named, the side that must move."""
    u, v = np.meshgrid(np.linspace(-1, 1, 61), np.linspace(-1, 1, 61))
    steps = steps_per_um * shape_um(field, u, v)
    locator = _canvas.MaxNLocator(_LINES, steps=[1, 2, 5, 10])
    levels = np.array(locator.tick_values(steps.min(), steps.max()))
    for chosen, tint, dash in (
        (levels[levels < 0], "muted", "dashed"),
        (levels[levels == 0], "rule", "solid"),
        (levels[levels > 0], "accent", "solid"),
    ):
        if chosen.size and steps.min() < chosen.max() and steps.max() > chosen.min():
            lines = axes.contour(
                u, v, steps, levels=chosen, colors=[PLAIN[tint]],
                linestyles=dash, linewidths=1.3,
            )  # fmt: skip
            axes.clabel(lines, fmt=_signed, fontsize=11, colors=[PLAIN["muted"]])
    axes.plot(0, 0, marker="+", markersize=9, color=PLAIN["ink"])
    axes.set(xlim=(-1, 1), ylim=(-1, 1), xticks=[], yticks=[])
    # The edge of the image.
    rim = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]).T
    axes.plot(*rim, color=PLAIN["rule"], linewidth=0.8, clip_on=False)
    zones = field.corners_zones or (None,) * 4
    for name, um, zone in zip(CORNERS, field.corners_um, zones, strict=True):
        x, y = float("right" in name), float("upper" in name)
        text = f"{name}\n{_signed(steps_per_um * um.value)} steps"
        axes.text(
            x, 1.02 if y else -0.02, text + (f", {_signed(zone.value, 1)} zones" if zone else ""),
            transform=axes.transAxes, ha="right" if x else "left", va="bottom" if y else "top",
            fontsize=11, color=PLAIN["ink"],
        )  # fmt: skip
    for side in (field.towards_telescope or "").split():
        axes.plot(*_EDGES[side], color=PLAIN["warn"], linewidth=5, clip_on=False)


def shape_um(field: FieldReport, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Best focus against the centre at places from -1 to 1 across the frame, micrometres."""
    width, height = field.frame_px or (1.0, 1.0)
    w = (width**2 * u**2 + height**2 * v**2) / (width**2 + height**2)
    return field.tilt_x_um.value * u + field.tilt_y_um.value * v + field.curvature_um.value * w


def _signed(value: float, decimals: int = 0) -> str:
    return with_sign(value, decimals).replace("-", "−")
