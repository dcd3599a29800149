"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from ...curves.fitted import LensColour
from ...estimate import NOT_KNOWN, Estimate, Finding
from ...filters import Band
from ..compared import ColourReport, ColourWord
from ..linear import normal_errors
from ..offsets.found import Found
from .blame import Colours, blame
from .points import colour_points, lens_report, lens_zero, plate_steps
from .verdict import binding_pair, odd_ones_out, verdict_of_errors

_DRAWS = 4000


def colour_report(night: Found) -> ColourReport:
    """Judge the colours together."""
    adjustment, same_glass = night.adjustment, night.same_glass
    judged = [n for n in adjustment.filters if n in night.zone_steps]
    plates = {name: plate_steps(name, night.setup, night.scale) for name in judged}
    known = {name: shift for name, shift in plates.items() if shift is not None}
    points, middle = colour_points(night, known)
    if len(judged) < 2:
        return ColourReport(
            verdict="cannot tell",
            reason=_why_not_judged(night),
            points=points if len(points) > 1 else (),
            compromise_steps=middle if len(points) > 1 else None,
        )
    colours, word = _colours(night, judged, known)
    verdict, lens = word(judged), night.curves.lens
    # Nobody is to blame where the colours are not apart.
    cause, why, odd = blame(colours, night) if verdict == "apart" else (None, "", ())
    curve = np.zeros((3, 0))
    if lens is not None:
        along = lens.along_nm
        shift = lens.at(along) + lens_zero(lens, night) - middle
        curve = np.array([along, shift, lens.sigma(along)])
    without, others_meet = (
        ((), None) if same_glass else odd_ones_out(judged, colours.position, colours.zone, word)
    )
    groups: list[tuple[str, ColourWord]] = []
    if {"R", "G", "B"} <= set(judged):
        groups.append(("R, G, B", word(("R", "G", "B"))))
    if "L" in judged:
        wide = judged.index("L")
        whole = whole_band(lens, colours.bands[wide], float(colours.zone[wide]))
        groups.append(("L's whole band", whole))
    own_zero = middle - adjustment.mixture.average[adjustment.filters.index(judged[0])]
    return ColourReport(
        verdict=verdict,
        reason=_reason(colours, verdict, same_glass=same_glass),
        cause=cause,
        cause_reason=why,
        compromise_steps=middle,
        points=points,
        odd_filters=odd,
        groups=tuple(groups),
        secondary_spectrum=secondary_spectrum(night),
        curve_wavelength_nm=curve[0],
        curve_shift_steps=curve[1],
        curve_sigma_steps=curve[2],
        lens=lens_report(night, middle),
        without=without,
        without_steps=None if others_meet is None else others_meet + middle - own_zero,
    )


def _colours(
    night: Found, judged: Sequence[str], plates: Mapping[str, float]
) -> tuple[Colours, Callable[[Sequence[str]], ColourWord]]:
    """The filters that can be judged, and the verdict on some of them."""
    adjustment, size = night.adjustment, night.scale.um_per_step
    contrasts = adjustment.contrasts(judged[0])[[adjustment.filters.index(n) for n in judged]]
    colours = Colours(
        filters=tuple(judged),
        bands=tuple(night.setup.bands(judged).values()),
        position=contrasts @ adjustment.mixture.average,
        covariance=adjustment.mixture.covariance_of(contrasts),
        zone=np.array([night.zone_steps[n] for n in judged]),
        plates=plates,
        um_per_step=size.value if size else math.nan,
    )
    errors = adjustment.mixture.draws(contrasts, _DRAWS) - colours.position
    share = size.relative if size else 0.0

    def word(names: Sequence[str]) -> ColourWord:
        pick = [judged.index(n) for n in names]
        best, zone = colours.position[pick], colours.zone[pick]
        return verdict_of_errors(best, zone, errors[:, pick], zone_share=share)

    return colours, word


def _reason(colours: Colours, verdict: ColourWord, *, same_glass: bool) -> Finding:
    """The pair that binds, in steps, against its zones."""
    best, zone = colours.position, colours.zone
    i, j = sorted(binding_pair(best, zone), key=lambda k: best[k])
    c = colours.covariance
    sigma = math.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0))
    pair: dict[str, Any] = {
        "pair": (colours.filters[i], colours.filters[j]),
        "gap": Estimate(float(best[j] - best[i]), sigma),
        "reach": float(zone[i] + zone[j]),
    }
    if verdict == "cannot tell":
        return Finding("colours_undecided", **pair, same_glass=same_glass)
    if verdict == "apart":
        return Finding("colours_apart", **pair)
    return Finding("colours_together", count=len(colours.filters), **pair)


def _why_not_judged(night: Found) -> Finding:
    filters, setup = night.adjustment.filters, night.setup
    if len(filters) < 2:
        return Finding("one_filter", name=filters[0])
    needs = {"focal ratio": setup.telescope.focal_ratio, "step size": night.scale.um_per_step}
    if lacks := [name for name, value in needs.items() if value is None]:
        return Finding("zone_needs", lacks=tuple(lacks))
    return Finding("wavelength_needed", filters=tuple(n for n in filters if not setup.band(n)))


def whole_band(lens: LensColour | None, wide: Band, zone_steps: float) -> ColourWord:
    """Does one position lie inside the zone of every wavelength of a wide filter."""
    if lens is None:
        return "cannot tell"
    wavelength = wide.wavelength_nm + wide.width_nm * np.linspace(-0.5, 0.5, 13)
    return verdict_of_errors(
        lens.at(wavelength),
        zone_steps * wavelength / wide.wavelength_nm,
        normal_errors(lens.covariance(wavelength), _DRAWS, seed=2),
    )


def secondary_spectrum(night: Found) -> float | None:
    """Focal length over the secondary spectrum, as people quote it; None below two sigma."""
    lens, focal = night.curves.lens, night.setup.telescope.focal_length_mm
    shift = lens.secondary_steps if lens else NOT_KNOWN
    if focal is None or not abs(shift.value) > 2 * shift.sigma:
        return None
    shift_um = night.scale.micrometres(shift.value)
    return focal * 1e3 / shift_um if shift_um else None
