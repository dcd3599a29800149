"""The focus curves as astropy models, for people who bring fitters of their own.

Not imported by the package: astropy.modeling takes a while to load.
"""

from typing import ClassVar

import numpy as np
from astropy.modeling import Fittable1DModel, Parameter

from .blur_table import USUAL_BETA
from .shapes import Shape, blurred_disc_shape, hyperbola


class HyperbolaModel(Fittable1DModel):
    """Radius sqrt(floor^2 + (slope (x - best))^2), x in steps.

    Examples
    --------
    >>> model = HyperbolaModel(best_steps=1000, floor_px=4, slope_px_per_step=0.1)
    >>> float(model(970.0))
    5.0
    """

    best_steps = Parameter(default=0.0)
    floor_px = Parameter(default=2.0, min=1e-6)
    slope_px_per_step = Parameter(default=0.05)

    # astropy would take annotations of ``evaluate`` for units.
    @staticmethod
    def evaluate(x, best_steps, floor_px, slope_px_per_step):  # type: ignore[no-untyped-def]
        """Radius in pixels."""
        return hyperbola(x, best_steps, floor_px, slope_px_per_step=slope_px_per_step)

    @staticmethod
    def fit_deriv(
        x: np.ndarray, best_steps: float, floor_px: float, slope_px_per_step: float
    ) -> list[np.ndarray]:
        """Derivatives by best focus, floor and slope."""
        away = x - best_steps
        radius = hyperbola(x, best_steps, floor_px, slope_px_per_step=slope_px_per_step)
        return [
            -(slope_px_per_step**2) * away / radius,
            floor_px / radius,
            slope_px_per_step * away**2 / radius,
        ]


class BlurredDiscModel(Fittable1DModel):
    """Radius of Moffat seeing blurred by the defocus disc or annulus, x in steps.

    The shape stands fixed by the class attributes; `blurred_disc_model` makes one for a telescope.

    Examples
    --------
    >>> model = BlurredDiscModel(best_steps=1000, floor_px=4, slope_px_per_step=0.1)
    >>> round(float(model(960.0)), 3)
    5.475
    """

    shape: ClassVar[Shape] = blurred_disc_shape()
    best_steps = Parameter(default=0.0)
    floor_px = Parameter(default=2.0, min=1e-6)
    slope_px_per_step = Parameter(default=0.05)

    @classmethod
    def evaluate(cls, x, best_steps, floor_px, slope_px_per_step):  # type: ignore[no-untyped-def]
        """Radius in pixels."""
        u = slope_px_per_step * (np.asarray(x) - best_steps) / floor_px
        return floor_px * cls.shape(u)[0]

    @classmethod
    def fit_deriv(
        cls, x: np.ndarray, best_steps: float, floor_px: float, slope_px_per_step: float
    ) -> list[np.ndarray]:
        """Derivatives by best focus, floor and slope."""
        u = slope_px_per_step * (np.asarray(x) - best_steps) / floor_px
        value, rate = cls.shape(u)
        return [
            -slope_px_per_step * rate,
            value - u * rate,
            floor_px * u * rate / slope_px_per_step,
        ]


def blurred_disc_model(
    *, obstruction: float = 0.0, beta: float = USUAL_BETA
) -> type[BlurredDiscModel]:
    """Model class for a telescope with a central obstruction."""
    shape = blurred_disc_shape(obstruction, beta)
    return type("BlurredDiscModel", (BlurredDiscModel,), {"shape": shape})
