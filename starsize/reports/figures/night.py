"""The night as a strip over time: size of the stars, what defocus adds, temperature beneath."""

import math

import numpy as np
from markupsafe import Markup

from ...night import NightResult
from . import _canvas
from ._canvas import PLAIN

#: The marks of the drawings as characters.
_SIGNS = dict(zip("os^vDPhp<>", "●■▲▼◆✚⬢⬟◀▶", strict=True))


def filter_sign(name: str) -> str:
    """The mark of a filter as a character, for the key."""
    return _SIGNS[_canvas.filter_marker(name)]


def night_svg(result: NightResult, *, name: str, width_px: int) -> Markup | None:
    """Draw a night; None without a single radius."""
    exposures, frames = result.exposures, result.frames
    radius = np.array([e.hfr_px for e in exposures])
    if not np.isfinite(radius).any():
        return None
    hours, timed = _hours(result)
    figure, (sizes, grown, warmth) = _canvas.new_panels(width_px, 150, 120, 80)
    growth = 100 * np.array([f.growth for f in frames])
    sigma = 100 * np.array([f.growth_sigma for f in frames])
    lost = np.array([f.state == "lost" for f in frames])
    ink = PLAIN["muted"]
    for axes in (sizes, grown):
        _shade(axes, hours, lost)
    _marks(sizes, result, hours, radius)
    sizes.set_ylabel("HFR (px)")
    grown.axhline(100 * result.limit, color=PLAIN["warn"], linewidth=1.0, dashes=(4, 3))
    grown.vlines(hours, np.maximum(growth - sigma, 0), growth + sigma, colors=ink, linewidth=1.0)
    _marks(grown, result, hours, growth)
    grown.set_ylabel("by defocus (%)")
    grown.set_ylim(bottom=-0.08 * grown.get_ylim()[1])  # marks at 0 are seen whole
    warmth.plot(hours, [e.temperature_degC for e in exposures], color=ink, linewidth=1.4)
    warmth.set_ylabel("°C")
    warmth.margins(y=0.15)
    warmth.set_xlabel("hours UTC" if timed else "exposure")
    if timed:
        _clock(warmth, most=width_px // 80)
    words = f"{len(frames)} exposures; focus lost in {lost.sum()}; shaded where lost."
    return _canvas.svg_text(figure, name=name, title="The night over time", description=words)


def _hours(result: NightResult) -> tuple[np.ndarray, bool]:
    """Hours of the day from the first evening on; the number of the frame without times."""
    times = np.array([e.time_mjd for e in result.exposures])
    if not np.isfinite(times).all():
        return np.arange(1.0, times.size + 1), False
    return 24 * (times - math.floor(times[0])), True


def _shade(axes: _canvas.Axes, hours: np.ndarray, lost: np.ndarray) -> None:
    """One band behind each run of frames that are lost: printed, bands side by side show seams."""
    gap = float(np.median(np.diff(hours))) if hours.size > 1 else 1.0
    middle = (hours[1:] + hours[:-1]) / 2
    low = np.maximum(np.r_[hours[0] - gap / 2, middle], hours - gap)
    high = np.minimum(np.r_[middle, hours[-1] + gap / 2], hours + gap)
    # From the end of one frame to the beginning of the next only where nothing lies between.
    seen = np.stack([lost, lost, lost & np.r_[low[1:] <= high[:-1], False]], axis=1)
    axes.fill_between(
        np.stack([low, high, high], axis=1).ravel(), 0, 1, where=seen.ravel(),
        transform=axes.get_xaxis_transform(), color=PLAIN["warn"], alpha=0.16, linewidth=0,
    )  # fmt: skip


def _marks(axes: _canvas.Axes, result: NightResult, hours: np.ndarray, values: np.ndarray) -> None:
    """Each filter its mark and colour; open where unclear."""
    names = [e.filter for e in result.exposures]
    for filter_name in dict.fromkeys(names):
        these = np.array([n == filter_name for n in names])
        for unclear in (False, True):
            some = these & np.array([(f.state == "unclear") == unclear for f in result.frames])
            style = _canvas.mark(filter_name, 6, hollow=unclear)
            axes.plot(hours[some], values[some], **style)


def _clock(axes: _canvas.Axes, *, most: int) -> None:
    """Label full hours, or parts of them, ``most`` at most."""
    low, high = axes.get_xlim()
    step = next(s for s in (0.25, 0.5, 1, 2, 3, 6, 12, 24) if (high - low) / s <= most or s == 24)
    ticks = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    axes.set_xticks(ticks, [f"{int(t) % 24:02d}:{round(60 * (t % 1)):02d}" for t in ticks])
