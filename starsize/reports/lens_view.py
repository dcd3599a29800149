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
        share = ""
        if focal_length_mm:
            permille = Estimate(
                lens.secondary_um.value / focal_length_mm, lens.secondary_um.sigma / focal_length_mm
            )
            share = f", {estimate_text(permille, signed=True)} ‰ of the focal length"
        facts.append(
            (
                "secondary spectrum",
                f"{estimate_text(lens.secondary_um, signed=True)} µm "
                f"(486 and 656 nm against 588 nm){share}",
            )
        )
    waves = lens.spherical_waves
    if waves.is_known:
        seen = "" if abs(waves.value) > 2 * waves.sigma else ", none that could be told from zero"
        facts.append(
            (
                "spherical aberration",
                f"{estimate_text(waves, signed=True)} waves at 550 nm{seen}",
            )
        )
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
    return [
        (
            number_text(float(w), digits=3),
            estimate_text(
                Estimate(
                    float(np.interp(w, lens.wavelength_nm, lens.shift_um)),
                    float(np.interp(w, lens.wavelength_nm, lens.sigma_um)),
                ),
                signed=True,
            ),
        )
        for w in np.arange(first, lens.wavelength_nm[-1] + 0.5, step)
    ]
