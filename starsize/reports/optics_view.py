"""What the page says of the lens, and of best focus over the frame."""

import numpy as np

from ..comparison.compared import LensReport
from ..estimate import Estimate
from .numbers import estimate_text, known, number_text
from .result import RunResult
from .sentences import listing

CORNERS = ("lower left", "lower right", "upper left", "upper right")


def steps_per_um(result: RunResult) -> float:
    """Steps that move the camera out by 1 um, negative where it counts inward; 0: unknown."""
    size = result.comparison.focuser.um_per_step
    if size is None or not size.is_known:
        return 0.0
    return (1 if result.setup.focuser.outward == "increasing" else -1) / size.value


def growth_costs(lens: LensReport) -> list[str]:
    """How much the stars of R, G and B grow at one focus for all."""
    said = []
    for place, name in (
        ("At best focus of L", "growth_at_luminance"),
        ("At the best common position", "growth_at_common"),
    ):
        parts = [
            f"{one.filter} by {100 * (grown - 1):.1f} %"
            for one in lens.filters
            if one.filter in ("R", "G", "B") and (grown := known(getattr(one, name))) is not None
        ]
        if parts:
            said.append(f"{place} stars grow in {listing(parts)}.")
    return said


def lens_curve(lens: LensReport) -> list[tuple[str, str]]:
    """The drawn curve in a few numbers."""
    step, curve = 50.0, (lens.wavelength_nm, lens.shift_um, lens.sigma_um)
    along = np.arange(np.ceil(curve[0][0] / step) * step, curve[0][-1] + 0.5, step)
    shift, sigma = (np.interp(along, curve[0], values).tolist() for values in curve[1:])
    return [
        (number_text(float(nm), digits=3), estimate_text(Estimate(value, spread), signed=True))
        for nm, value, spread in zip(along, shift, sigma, strict=True)
    ]
