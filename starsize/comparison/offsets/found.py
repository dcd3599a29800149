"""What all parts of a comparison stand on: the sweeps, their adjustment, and the scale."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate
from ...optics import critical_focus_zone_um
from ...setup import Setup
from .adjustment import Adjustment
from .changes import Changes
from .sweeps import is_colour_channel

#: What a zone needs besides the wavelength.
ZONE_NEEDS = ("focal ratio", "step size")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Micrometres per step, and +1 where steps increase outward, else -1."""

    um_per_step: Estimate | None = None
    sense: int = 1

    @classmethod
    def of(cls, setup: Setup, um_per_step: Estimate | None) -> "Scale":
        """With the sense that the setup states."""
        outward = setup.focuser.outward == "increasing"
        return cls(um_per_step=um_per_step, sense=1 if outward else -1)

    def micrometres(self, steps: float) -> float | None:
        """Steps in micrometres, further out positive."""
        size = self.um_per_step
        # Nothing is 0, never -0.
        return None if size is None else steps * size.value * self.sense + 0.0

    def estimate(self, steps: Estimate) -> Estimate | None:
        """An estimate in steps as one in micrometres; the step size's own error is included."""
        size = self.um_per_step
        if size is None:
            return None
        sigma = math.hypot(steps.sigma, steps.value * size.relative)
        return Estimate(steps.value, sigma).times(size.value * self.sense)


def zones_in_steps(filters: Iterable[str], setup: Setup) -> dict[str, float]:
    """Half-width 2 lambda N^2 of each filter's critical focus zone in steps, where known."""
    ratio, step = setup.telescope.focal_ratio, setup.focuser.um_per_step
    if ratio is None or step is None:
        return {}
    bands = setup.bands(filters).items()
    return {name: critical_focus_zone_um(band.wavelength_nm, ratio) / step for name, band in bands}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Found:
    """Fitted sweeps, adjusted; ``zone_steps`` are half-widths of the zones where known."""

    curves: CurveSet
    setup: Setup
    scale: Scale
    reference: str
    zone_steps: Mapping[str, float]
    adjustment: Adjustment
    changes: Changes

    @property
    def fits(self) -> dict[str, CurveFit]:
        """The best known answered fit of each filter."""
        best_first = sorted(self.curves.answered, key=lambda fit: fit.best_sigma_steps)
        return {fit.curve.filter: fit for fit in reversed(best_first)}

    @property
    def best_steps(self) -> dict[str, float]:
        """Best focus of each filter, adjusted."""
        found = self.adjustment
        return dict(zip(found.filters, found.average.tolist(), strict=False))

    @property
    def same_glass(self) -> bool:
        """Whether all colours are channels of one colour camera."""
        return all(is_colour_channel(fit.curve) for fit in self.curves.answered)

    @property
    def zones_lack(self) -> tuple[str, ...]:
        """What every zone needs and nobody stated."""
        stated = (self.setup.telescope.focal_ratio, self.scale.um_per_step)
        return tuple(need for need, value in zip(ZONE_NEEDS, stated, strict=True) if not value)
