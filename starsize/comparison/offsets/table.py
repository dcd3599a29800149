"""The offset table: one row per filter, what to do with it, and why."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ...curves import radius_at
from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate, Finding
from ...filters import filter_order
from ..compared import Action, OffsetRow
from .adjustment import Adjustment
from .mixture import Interval

#: Where the zone is not known: a move is good enough if the star then grows by less than this.
GROWTH_ALLOWED = 0.05
#: What a zone needs besides the wavelength.
ZONE_NEEDS = ("focal ratio", "step size")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Micrometres per step, and +1 where steps increase outward, else -1."""

    um_per_step: Estimate | None = None
    sense: int = 1

    def micrometres(self, steps: float) -> float | None:
        """Steps in micrometres, further out positive."""
        return None if self.um_per_step is None else steps * self.um_per_step.value * self.sense

    def estimate(self, value: float, sigma: float) -> Estimate | None:
        """An estimate in steps as one in micrometres; the step size's own error is included."""
        size = self.um_per_step
        if size is None:
            return None
        own = size.sigma if math.isfinite(size.sigma) else 0.0
        return Estimate(
            value * size.value * self.sense, math.hypot(sigma * size.value, value * own)
        )


def choose_reference(counts: Mapping[str, int], wanted: str | None) -> str:
    """The reference: as wanted if it is measured, else L, else the filter with most sweeps."""
    if wanted in counts and wanted is not None:
        return wanted
    if "L" in counts:
        return "L"
    return min(counts, key=lambda name: (-counts[name], filter_order(name)))


def offset_table(
    curves: CurveSet,
    adjustment: Adjustment | None,
    *,
    reference: str,
    zone_steps: Mapping[str, float],
    scale: Scale,
    cautions: Mapping[str, Sequence[Finding]] | None = None,
    zone_lacks: Mapping[str, Sequence[str]] | None = None,
) -> tuple[OffsetRow, ...]:
    """One row for every filter that was found, in the order people list them.

    Parameters
    ----------
    curves : CurveSet
    adjustment : Adjustment or None
        None where no sweep was answered.
    reference : str
    zone_steps : mapping of str to float
        Half-width of the critical focus zone of each filter where it is known.
    scale : Scale
    zone_lacks : mapping of str to sequence of str
        Filter -> what its zone needs and nobody stated.
    cautions : mapping of str to sequence of Finding
        Filter -> why its uncertainty is as large as it is, added to the reason of a ``refocus``.
    """
    fits: dict[str, list[CurveFit]] = {}
    for fit in curves.fits:
        fits.setdefault(fit.curve.filter, []).append(fit)
    measured: dict[str, tuple[Interval, Interval]] = {}
    if adjustment is not None:
        own = np.eye(len(adjustment.names))[: len(adjustment.filters)]
        both = zip(adjustment.mixture.intervals(own), adjustment.offsets(reference), strict=True)
        measured = dict(zip(adjustment.filters, both, strict=True))
    rows = []
    for name in sorted(fits, key=filter_order):
        answered = [f for f in fits[name] if f.answered]
        counted = [fit.curve.n_stars[fit.used] for fit in answered or fits[name]]
        stars = np.concatenate(counted)
        row = OffsetRow(
            filter=name, reference=reference, status="refused", sweeps=len(answered),
            frames=stars.size, stars=int(np.median(stars)) if stars.size else 0,
        )  # fmt: skip
        if name not in measured:
            why = Finding("not_measured", sweeps=tuple(f.reason for f in fits[name] if f.reason))
            rows.append(replace(row, reason=why))
            continue
        row = _measured(row, *measured[name], zone=zone_steps.get(name), scale=scale)
        if name != reference:
            offset = measured[name][1]
            action, reason = decide(
                offset, row.zone_steps, growth_depth_steps(answered),
                lacks=(zone_lacks or {}).get(name, ZONE_NEEDS),
                because=(cautions or {}).get(name, ()),
            )  # fmt: skip
            surest = min(answered, key=lambda fit: fit.best_sigma_steps)
            grown = growth_if_ignored(surest, Estimate(offset.value, offset.sigma))
            row = replace(row, action=action, reason=reason, growth_if_ignored=grown)
        rows.append(row)
    return tuple(rows)


def decide(
    offset: Interval,
    zone: float | None,
    depth: float | None = None,
    *,
    lacks: Sequence[str] = ZONE_NEEDS,
    because: Sequence[Finding] = (),
) -> tuple[Action, Finding]:
    """What to do at a filter change, and why.

    ``ignore`` if the whole 95 % interval lies inside the zone; ``move`` if after the rounded move
    the focus is inside the zone at 95 %; ``refocus`` if neither can be promised. Without a zone
    nothing can be ignored, and a move is good enough if it leaves the star within 5 % of its
    smallest radius, ``depth`` steps from best focus. ``because`` goes with a ``refocus``.
    """
    left = abs(offset.value - round(offset.value)) + offset.half95
    known = {"offset": offset.value, "half95": offset.half95}
    if zone is not None:
        if abs(offset.value) + offset.half95 <= zone:
            return "ignore", Finding("inside_zone", **known, zone=zone)
        if left <= zone:
            return "move", Finding("move_reaches_zone", **known, zone=zone)
        return "refocus", Finding("zone_too_small", **known, zone=zone, because=tuple(because))
    if depth is not None and left <= depth:
        return "move", Finding("growth_small", **known, lacks=lacks)
    return "refocus", Finding("zone_unknown", **known, lacks=lacks, because=tuple(because))


def growth_depth_steps(fits: Sequence[CurveFit]) -> float | None:
    """Distance from best focus at which the sharpest curve's radius has grown by 5 %.

    From radius^2 = floor^2 + (slope x)^2.
    """
    depths = [
        fit.floor_px.value / fit.slope_px_per_step.value * math.sqrt((1 + GROWTH_ALLOWED) ** 2 - 1)
        for fit in fits
        if fit.answered and fit.floor_px.is_known and fit.slope_px_per_step.value > 0
    ]
    return min(depths) if depths else None


def _measured(
    row: OffsetRow, focus: Interval, offset: Interval, *, zone: float | None, scale: Scale
) -> OffsetRow:
    """The row with its numbers, and what is said of the reference."""
    return replace(
        row,
        status="measured",
        best_focus_steps=focus.value,
        best_focus_sigma_steps=focus.sigma,
        offset_steps=offset.value,
        offset_sigma_steps=offset.sigma,
        move_steps=round(offset.value),
        offset_um=scale.micrometres(offset.value),
        zone_steps=zone,
        action="ignore",
        reason=Finding("reference"),
        sigma_frames_steps=offset.frames,
        sigma_focuser_steps=offset.focuser,
        offset_half997_steps=offset.half997,
    )


def growth(fit: CurveFit | None, defocus_steps: float) -> float | None:
    """Radius at a distance from best focus over the smallest radius, from the filter's curve."""
    if fit is None or not fit.answered:
        return None
    if not fit.shape:
        # A fit that somebody brought with no more than floor and slope is a hyperbola.
        rise = fit.slope_px_per_step.value * defocus_steps / fit.floor_px.value
        return math.hypot(1.0, rise) if math.isfinite(rise) else None
    there, smallest = radius_at(fit, fit.best_steps + np.array([defocus_steps, 0.0]))
    return float(there / smallest) if np.isfinite(there) and smallest > 0 else None


def growth_if_ignored(fit: CurveFit | None, offset: Estimate) -> Estimate | None:
    """Fraction by which stars grow if the reference's position is kept, in the seeing of the sweep.

    ``offset`` is the filter's best focus minus the reference's, in steps; its uncertainty carries
    over as the difference that one sigma to either side makes.
    """
    here = growth(fit, -offset.value)
    sides = [growth(fit, -(offset.value + side * offset.sigma)) for side in (-1.0, 1.0)]
    if here is None or sides[0] is None or sides[1] is None:
        return None
    return Estimate(here - 1, max(abs(s - here) for s in sides if s is not None))
