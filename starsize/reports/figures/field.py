"""Best focus over the frame: contours in steps, corners named, the side that must move in."""

from typing import Final

import numpy as np

from ...comparison.compared import FieldReport
from ..filled import macros
from ..numbers import with_sign
from . import _canvas

#: Corner by corner: place of its words beside the frame (0 to 1 within), how they lie there.
_PLACES: Final = (
    (0.0, -0.02, "left", "top"),
    (1.0, -0.02, "right", "top"),
    (0.0, 1.02, "left", "bottom"),
    (1.0, 1.02, "right", "bottom"),
)
CORNERS: Final = ("lower left", "lower right", "upper left", "upper right")
_LINES: Final = 12
#: Where the edges run, the frame reaching from -1 to 1.
_EDGES: Final = {
    "left": ((-1, -1), (-1, 1)), "right": ((1, 1), (-1, 1)),
    "lower": ((-1, 1), (-1, -1)), "upper": ((-1, 1), (1, 1)),
}  # fmt: skip


def field_svg(field: FieldReport, *, steps_per_um: float, name: str, width_px: int) -> str:
    """Draw the plane and bowl of a field; ``steps_per_um`` is negative if steps count inward."""
    width, height = field.frame_px or (1.0, 1.0)
    figure, axes = _canvas.new_axes(width_px, round(width_px * height / width) + 84)
    draw_field(axes, field, steps_per_um=steps_per_um)
    corners = zip(
        CORNERS, (steps_per_um * corner.value for corner in field.corners_um), strict=True
    )
    words = macros("drawings.txt").field(list(corners), field.towards_telescope)
    title = "Best focus over the frame"
    return _canvas.svg_text(figure, name=name, title=title, description=words, beside_px=42)


def draw_field(axes: _canvas.Axes, field: FieldReport, *, steps_per_um: float) -> None:
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
                u, v, steps, levels=chosen, colors=[_canvas.colour(tint)],
                linestyles=dash, linewidths=1.3,
            )  # fmt: skip
            axes.clabel(lines, fmt=signed, fontsize=11, colors=[_canvas.colour("muted")])
    axes.plot(0, 0, marker="+", markersize=9, color=_canvas.colour("ink"))
    axes.set(xlim=(-1, 1), ylim=(-1, 1), xticks=[], yticks=[])
    for spine in axes.spines.values():  # the edge of the image
        spine.set_visible(True)
        spine.set_color(_canvas.colour("rule"))
    _corners(axes, field, steps_per_um)
    for side in (field.towards_telescope or "").split():
        x, y = _EDGES[side]
        axes.plot(x, y, color=_canvas.colour("warn"), linewidth=5, clip_on=False)


def shape_um(field: FieldReport, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Best focus against the centre at places from -1 to 1 across the frame, micrometres."""
    width, height = field.frame_px or (1.0, 1.0)
    w = (width**2 * u**2 + height**2 * v**2) / (width**2 + height**2)
    return field.tilt_x_um.value * u + field.tilt_y_um.value * v + field.curvature_um.value * w


def signed(value: float, decimals: int = 0) -> str:
    """A number with its sign; nothing has none."""
    return with_sign(value, decimals).replace("-", "−")


def _corners(axes: _canvas.Axes, field: FieldReport, steps_per_um: float) -> None:
    zones = field.corners_zones or (None,) * 4
    for name, place, um, zone in zip(CORNERS, _PLACES, field.corners_um, zones, strict=True):
        x, y, across, along = place
        text = f"{name}\n{signed(steps_per_um * um.value)} steps"
        if zone is not None:
            text += f", {signed(zone.value, 1)} zones"
        axes.text(
            x, y, text, transform=axes.transAxes, ha=across, va=along, fontsize=11,
            color=_canvas.colour("ink"),
        )  # fmt: skip
