"""The offset table: one row per filter, what to do with it, and why."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate, Finding
from ...filters import filter_order
from ..compared import Action, OffsetRow
from .adjustment import Adjustment
from .growth import growth_if_ignored
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


class _Doubts(NamedTuple):
    """What the zone of a filter lacks, and why its offset is not known better."""

    lacks: Sequence[str]
    because: Sequence[Finding]


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
    fits = _by_filter(curves.fits)
    measured: dict[str, tuple[Interval, Interval]] = {}
    if adjustment is not None:
        focus = adjustment.mixture.intervals(
            np.eye(len(adjustment.names))[: len(adjustment.filters)]
        )
        offsets = adjustment.offsets(reference)
        measured = dict(zip(adjustment.filters, zip(focus, offsets, strict=True), strict=True))
    return tuple(
        _measured_row(
            name,
            fits[name],
            measured[name],
            reference=reference,
            zone=zone_steps.get(name),
            scale=scale,
            doubts=_Doubts(
                (zone_lacks or {}).get(name, ZONE_NEEDS), tuple((cautions or {}).get(name, ()))
            ),
        )
        if name in measured
        else _refused_row(name, fits[name], reference)
        for name in sorted(fits, key=filter_order)
    )


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


def _measured_row(
    name: str,
    fits: Sequence[CurveFit],
    found: tuple[Interval, Interval],
    *,
    reference: str,
    zone: float | None,
    scale: Scale,
    doubts: _Doubts,
) -> OffsetRow:
    focus, offset = found
    answered = [f for f in fits if f.answered]
    action: Action = "ignore"
    reason = Finding("reference")
    if name != reference:
        depth = growth_depth_steps(answered)
        lacks, because = doubts
        action, reason = decide(offset, zone, depth, lacks=lacks, because=because)
    frames, stars = _counts(answered)
    return OffsetRow(
        filter=name,
        reference=reference,
        status="measured",
        sweeps=len(answered),
        frames=frames,
        stars=stars,
        best_focus_steps=focus.value,
        best_focus_sigma_steps=focus.sigma,
        offset_steps=offset.value,
        offset_sigma_steps=offset.sigma,
        move_steps=round(offset.value),
        offset_um=scale.micrometres(offset.value),
        zone_steps=zone,
        action=action,
        reason=reason,
        sigma_frames_steps=offset.frames,
        sigma_focuser_steps=offset.focuser,
        growth_if_ignored=None
        if name == reference
        else growth_if_ignored(_surest(answered), Estimate(offset.value, offset.sigma)),
        offset_half997_steps=offset.half997,
    )


def _surest(fits: Sequence[CurveFit]) -> CurveFit | None:
    return min(fits, key=lambda fit: fit.best_sigma_steps, default=None)


def _refused_row(name: str, fits: Sequence[CurveFit], reference: str) -> OffsetRow:
    frames, stars = _counts(fits)
    return OffsetRow(
        filter=name,
        reference=reference,
        status="refused",
        sweeps=0,
        frames=frames,
        stars=stars,
        action="refocus",
        reason=Finding("not_measured", sweeps=tuple(f.reason for f in fits if f.reason)),
    )


def _by_filter(fits: Sequence[CurveFit]) -> dict[str, list[CurveFit]]:
    grouped: dict[str, list[CurveFit]] = {}
    for fit in fits:
        grouped.setdefault(fit.curve.filter, []).append(fit)
    return grouped


def _counts(fits: Sequence[CurveFit]) -> tuple[int, int]:
    """Frames used, and the median number of stars behind one of them."""
    used = [fit.curve.n_stars[np.asarray(fit.used, bool)] for fit in fits]
    stars = np.concatenate(used) if used else np.array([], int)
    return stars.size, int(np.median(stars)) if stars.size else 0
