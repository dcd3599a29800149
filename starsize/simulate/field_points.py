"""Stars of a tilted, bowl-shaped field through one sweep, drawn as radii, not as pixels."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPlan:
    """A camera of 16 megapixels, its field, and how one sweep of it is taken.

    Attributes
    ----------
    tilt_um : (x, y)
        How much further out the +x and the +y edge focus than the centre.
    bowl_um : float
        How much further out the corners focus than the centre.
    own_um : float
        What stars differ by beyond the field.
    half : bool
        Only the right half shows stars.
    noise : float
        Relative uncertainty of a radius, give or take a factor of two from star to star.
    jitter : float
        Relative scatter of the smallest radius from frame to frame.
    """

    tilt_um: tuple[float, float] = (0.0, 0.0)
    bowl_um: float = 0.0
    stars: int = 200
    positions: int = 11
    spacing_steps: float = 30.0
    own_um: float = 0.0
    half: bool = False
    noise: float = 0.03
    jitter: float = 0.1
    width_px: float = 4656.0
    height_px: float = 3520.0
    um_per_step: float = 4.0
    best_steps: float = 10_000.0
    floor_px: float = 2.0
    slope_px_per_step: float = 0.05


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FieldDraw:
    """One sweep: (n,) places and (n, f) radii of its stars, (f,) positions and frame radii.

    ``curve_steps`` and ``curve_px`` are the curve that a fit of the frame radii would find.
    """

    x_px: np.ndarray
    y_px: np.ndarray
    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    position_steps: np.ndarray
    frame_px: np.ndarray
    curve_steps: np.ndarray
    curve_px: np.ndarray


def draw_field(plan: FieldPlan, rng: np.random.Generator) -> FieldDraw:
    """One sweep whose stars focus where the field has them."""
    x = rng.uniform(0, plan.width_px, plan.stars)
    y = rng.uniform(0, plan.height_px, plan.stars)
    if plan.half:
        x = plan.width_px / 2 * (1 + x / plan.width_px)
    u, v = 2 * x / plan.width_px - 1, 2 * y / plan.height_px - 1
    corner = np.hypot(plan.width_px, plan.height_px) / 2
    w = ((x - plan.width_px / 2) ** 2 + (y - plan.height_px / 2) ** 2) / corner**2
    shift = (plan.tilt_um[0] * u + plan.tilt_um[1] * v + plan.bowl_um * w) / plan.um_per_step
    own = rng.normal(0, plan.own_um / plan.um_per_step, plan.stars)
    half = (plan.positions - 1) / 2
    position = plan.best_steps + plan.spacing_steps * np.linspace(-half, half, plan.positions)
    floors = plan.floor_px * (1 + plan.jitter * rng.standard_normal(plan.positions))
    size = 1 + 0.05 * rng.standard_normal(plan.stars)
    away = position - plan.best_steps - (shift + own)[:, None]
    true = np.hypot(floors, plan.slope_px_per_step * away) * size[:, None]
    sigma = plan.noise * true * rng.uniform(0.5, 2, plan.stars)[:, None]
    radius = true + sigma * rng.standard_normal(true.shape)
    # The frame's radius is that of its stars; squares of a hyperbola's have their mean focus.
    frame = np.sqrt(np.mean((radius / size[:, None]) ** 2, axis=0))
    middle = plan.best_steps + float(np.mean(shift + own))
    along = np.linspace(position[0] - 100, position[-1] + 100, 400)
    return FieldDraw(
        x_px=x,
        y_px=y,
        radius_px=radius,
        radius_sigma_px=sigma,
        position_steps=position,
        frame_px=frame,
        curve_steps=along,
        curve_px=np.hypot(plan.floor_px, plan.slope_px_per_step * (along - middle)),
    )
