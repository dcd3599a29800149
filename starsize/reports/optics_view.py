"""What the page says and draws of the lens, and of best focus over the frame."""

import math
from typing import Any

import numpy as np

from ..comparison.compared import FieldReport, LensReport
from ..estimate import NOT_KNOWN, Estimate
from .numbers import estimate_text, known, number_text
from .result import RunResult
from .sentences import listing

CORNERS = ("lower left", "lower right", "upper left", "upper right")
_OPPOSITE = {"left": "right", "right": "left", "lower": "upper", "upper": "lower"}


def field_view(result: RunResult) -> dict[str, Any] | None:
    """The section on the field as plain values; None where the frames cannot tell."""
    field = result.comparison.field
    if field is None:
        return None
    from .figures import field_svg, in_both_widths

    steps = steps_per_um(result)
    drawn = []
    if field.frame_px and steps:
        drawn = in_both_widths(
            field_svg, field, steps_per_um=steps, name="field", widths=(560, 360)
        )
    return {
        "report": field,
        "headline": field_headline(field),
        "advice": field_advice(field),
        "filters": pattern_sentence(field),
        "places": _places(field, steps),
        "drawn": drawn,
    }


def steps_per_um(result: RunResult) -> float:
    """Steps that move the camera out by 1 um, negative where it counts inward; 0: unknown."""
    size = result.comparison.focuser.um_per_step
    if size is None or not size.is_known:
        return 0.0
    return (1 if result.setup.focuser.outward == "increasing" else -1) / size.value


def field_headline(field: FieldReport) -> str:
    """Is focus the same all over the frame, in one sentence."""
    if not field.significant:
        return "No tilt or curvature is seen."
    if not field.corners_zones:
        return "Best focus is not the same all over the frame."
    worst = max(abs(corner.value) for corner in field.corners_zones)
    if worst <= 1:
        return (
            "Best focus is not quite the same all over the frame, but every corner stays inside "
            "the zone of its centre."
        )
    return (
        f"Best focus is not the same all over the frame: corners lie up to {worst:.1f} "
        "zones from the centre."
    )


def field_advice(field: FieldReport) -> str:
    """Which side of the camera must move towards the telescope, and by how much."""
    side = field.towards_telescope
    if side is None:
        return ""
    words = side.split()
    # From one edge, or corner, to the opposite one it is twice the way from the centre.
    across = abs(field.tilt_x_um.value) if {"left", "right"} & set(words) else 0.0
    along = abs(field.tilt_y_um.value) if {"lower", "upper"} & set(words) else 0.0
    opposite = " ".join(_OPPOSITE[word] for word in words)
    noun = "corner" if len(words) > 1 else "edge"
    return (
        f"The {side} {noun} of the image stands too far from the telescope: that side of the "
        f"camera must move towards it, by {2 * (across + along):.0f} µm against the {opposite} "
        f"{noun}."
    )


def pattern_sentence(field: FieldReport) -> str:
    """Whether the pattern is another one in some filter."""
    if field.changes_with_filter is None:
        return ""
    if field.changes_with_filter:
        return (
            "The pattern changes with the filter: a filter or its holder tilts the light too, not "
            "the camera alone."
        )
    return "The pattern is the same in all filters."


def _places(field: FieldReport, steps: float) -> list[tuple[str, str, str, str]]:
    """Name, micrometres, steps and zones of edges and corners against the centre."""
    zone = field.zone_um or math.nan

    def row(name: str, um: Estimate) -> tuple[str, str, str, str]:
        count, zones = um.times(steps) if steps else NOT_KNOWN, um.times(1 / zone)
        return (
            name,
            estimate_text(um, signed=True),
            estimate_text(count, signed=True) if count.is_known else "",
            estimate_text(zones, signed=True) if zones.is_known else "",
        )

    return [
        *(row(name, corner) for name, corner in zip(CORNERS, field.corners_um, strict=True)),
        row("right edge, tilt alone", field.tilt_x_um),
        row("upper edge, tilt alone", field.tilt_y_um),
        row("all corners, without tilt", field.curvature_um),
    ]


def lens_view(result: RunResult) -> dict[str, Any] | None:
    """What the template needs; None where the sweeps tell nothing of the lens."""
    lens = result.comparison.colour.lens
    if lens is None:
        return None
    from .figures import in_both_widths, lens_svg

    return {
        "figures": in_both_widths(lens_svg, lens, name="lens"),
        "facts": _lens_facts(lens, result.setup.telescope.focal_length_mm),
        "costs": _costs(lens),
        "filters": lens.filters,
        "glass": any(one.glass_mm is not None for one in lens.filters),
        "curve": _curve(lens),
    }


def _lens_facts(lens: LensReport, focal_length_mm: float | None) -> list[tuple[str, str]]:
    facts = []
    if lens.secondary_um is not None:
        second = lens.secondary_um
        said = f"{estimate_text(second, signed=True)} µm (486 and 656 nm against 588 nm)"
        if focal_length_mm:
            share = estimate_text(second.times(1 / focal_length_mm), signed=True)
            said += f", {share} ‰ of the focal length"
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
