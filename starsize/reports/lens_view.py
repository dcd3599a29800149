"""The lens for the page: what its colours cost, in words and numbers."""

from typing import Any

import numpy as np

from ..comparison.compared import LensReport
from ..estimate import Estimate
from .numbers import estimate_text, known, number_text
from .result import RunResult
from .sentences import listing


def lens_view(result: RunResult) -> dict[str, Any] | None:
    """What the template needs; None where the sweeps tell nothing of the lens."""
    lens = result.comparison.colour.lens
    if lens is None:
        return None
    from .figures import in_both_widths, lens_svg

    return {
        "figures": in_both_widths(lens_svg, lens, name="lens", widths=(760, 380)),
        "facts": _facts(lens, result.setup.telescope.focal_length_mm),
        "costs": _costs(lens),
        "filters": lens.filters,
        "glass": any(one.glass_mm is not None for one in lens.filters),
        "curve": _curve(lens),
    }


def _facts(lens: LensReport, focal_length_mm: float | None) -> list[tuple[str, str]]:
    facts = []
    if lens.secondary_um is not None:
        second = lens.secondary_um
        said = f"{estimate_text(second, signed=True)} µm (486 and 656 nm against 588 nm)"
        if focal_length_mm:
            share = Estimate(second.value / focal_length_mm, second.sigma / focal_length_mm)
            said += f", {estimate_text(share, signed=True)} ‰ of the focal length"
        facts.append(("secondary spectrum", said))
    waves = lens.spherical_waves
    if waves.is_known:
        seen = "" if abs(waves.value) > 2 * waves.sigma else ", none that could be told from zero"
        said = f"{estimate_text(waves, signed=True)} waves at 550 nm{seen}"
        facts.append(("spherical aberration", said))
    wide = [one for one in lens.filters if one.filter == "L" and known(one.spread_um) is not None]
    facts += [
        ("within L's band", f"colours focus up to {one.spread_um:.0f} µm apart") for one in wide
    ]
    return facts


def _costs(lens: LensReport) -> list[str]:
    """How much the stars of R, G and B grow at one focus for all."""
    colours = [one for one in lens.filters if one.filter in ("R", "G", "B")]
    said = []
    for place, name in (
        ("At best focus of L", "growth_at_luminance"),
        ("At the best common position", "growth_at_common"),
    ):
        parts = [
            f"{one.filter} by {100 * (grown - 1):.1f} %"
            for one in colours
            if (grown := known(getattr(one, name))) is not None
        ]
        if parts:
            said.append(f"{place} stars grow in {listing(parts)}.")
    return said


def _curve(lens: LensReport) -> list[tuple[str, str]]:
    """The drawn curve in a few numbers."""
    step = 50.0
    first = np.ceil(lens.wavelength_nm[0] / step) * step
    along = np.arange(first, lens.wavelength_nm[-1] + 0.5, step)
    shift, sigma = (
        np.interp(along, lens.wavelength_nm, values).tolist()
        for values in (lens.shift_um, lens.sigma_um)
    )
    return [
        (number_text(float(w), digits=3), estimate_text(Estimate(value, spread), signed=True))
        for w, value, spread in zip(along, shift, sigma, strict=True)
    ]
