"""What the sweeps say about the focuser, and of focus against temperature.

In the terms of ISO 230-2: its reversal value is the mean of best focus reached from one side less
that from the other; its unidirectional repeatability is 4 s, s being the standard deviation that
stands here.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate
from ...setup import Setup
from ..compared import BacklashFrom, FocuserHealth, StepSource, TemperatureTerm
from .adjustment import Adjustment
from .changes import Changes
from .sweeps import BestFocusData
from .table import Scale
from .terms import EXPANSION_PER_DEGC, TermChoice, stated_prior


def focuser_health(
    curves: CurveSet,
    data: BestFocusData,
    adjustment: Adjustment,
    *,
    choice: TermChoice,
    changes: Changes,
    size: Estimate | None,
    source: StepSource,
) -> FocuserHealth:
    """Play, repeatability, placement and slips; None where the sweeps cannot tell."""
    backlash = play_of_starts(curves.answered)
    known_from: BacklashFrom | None = "flat start" if backlash else None
    if choice.source.get("direction") == "frames":
        found = adjustment.term("direction")
        backlash, known_from = Estimate(found.value, found.sigma), "both directions"
    repeats = len(data.ids) > len(data.names) and adjustment.dof >= 1
    scatter = adjustment.scatter
    placement = curves.placement_steps
    return FocuserHealth(
        um_per_step=size,
        um_per_step_source=source,
        backlash_steps=backlash,
        backlash_from=known_from,
        repeatability_steps=Estimate(scatter.value, scatter.sigma) if repeats else None,
        repeatability68_steps=adjustment.scatter68_steps if repeats else None,
        measuring_steps=adjustment.measuring_steps,
        placement_steps=placement if placement.is_known else None,
        slips=changes.slips,
    )


def play_of_starts(fits: Sequence[CurveFit]) -> Estimate | None:
    """Play from sweeps that began while it was still being taken up; None where none shows any.

    Sweeps that were fitted together state one play, which counts once. Of several the weighted
    mean, its uncertainty widened where they disagree (Birge 1932). A sweep that was run in shows
    nothing, which says nothing against it.
    """
    seen = list(dict.fromkeys(f.play_steps for f in fits if f.play_steps.is_known))
    if not seen:
        return None
    value, sigma = (np.array([getattr(p, name) for p in seen]) for name in ("value", "sigma"))
    weight = 1 / sigma**2
    mean = float(np.sum(weight * value) / np.sum(weight))
    ratio = 1.0
    if len(seen) > 1:
        ratio = max(1.0, math.sqrt(np.sum(weight * (value - mean) ** 2) / (len(seen) - 1)))
    return Estimate(mean, ratio / math.sqrt(np.sum(weight)))


#: Below this change of temperature no coefficient is stated: two thermometers on one tube differ
#: by as much (common practice).
LEAST_RANGE_DEGC = 0.5
#: A coefficient counts as found from this many standard uncertainties on.
FOUND_SIGMAS = 2.0
#: What the optics may add or take off: as much as a mirror of soda glass expands (9e-6 per degC,
#: materials data bases); fused silica and glass ceramics do less, lenses go either way.
OPTICS_PER_DEGC = 9e-6


def temperature_term(
    adjustment: Adjustment,
    choice: TermChoice,
    setup: Setup,
    scale: Scale,
    *,
    zone_steps: Mapping[str, float],
) -> TemperatureTerm:
    """The coefficient that the frames give, else the one stated, else none.

    The frames' own is refused where the temperature hardly changed, and where it cannot be told
    from nothing.
    """
    found, source = _coefficient(adjustment, choice, setup)
    return TemperatureTerm(
        steps_per_degC=found,
        source=source,
        range_degC=choice.range_degC,
        reference_degC=choice.reference_degC,
        refocus_degC=refocus_changes(found, zone_steps),
        expected_steps_per_degC=expected_coefficient(setup, scale),
    )


def _coefficient(
    adjustment: Adjustment, choice: TermChoice, setup: Setup
) -> tuple[Estimate | None, Literal["frames", "setup", "none"]]:
    source, stated = choice.source.get("temperature"), stated_prior("temperature", setup)
    if source in ("frames", "setup"):
        term = adjustment.term("temperature")
        seen = (choice.range_degC or 0.0) >= LEAST_RANGE_DEGC
        if source == "setup":
            return Estimate(term.value, term.sigma), "setup"
        if seen and abs(term.value) >= FOUND_SIGMAS * term.sigma:
            return Estimate(term.value, term.sigma), "frames"
    return (Estimate(*stated), "setup") if stated is not None else (None, "none")


def refocus_changes(
    coefficient: Estimate | None, zone_steps: Mapping[str, float]
) -> dict[str, Estimate]:
    """Change of temperature that uses up half of each filter's zone, degC; empty if not known."""
    if coefficient is None or coefficient.value == 0:
        return {}
    size = abs(coefficient.value)
    return {
        name: Estimate(zone / 2 / size, zone / 2 / size * coefficient.sigma / size)
        for name, zone in zone_steps.items()
    }


def expected_coefficient(setup: Setup, scale: Scale) -> Estimate | None:
    """Steps per degC by which a tube of the stated material and the focal length's own lengthens.

    A warmer tube is longer, so the camera has to go in. None without material, focal length and
    step size. Folded telescopes magnify their tube's change, so this holds for straight tubes.
    """
    scope = setup.telescope
    if not (scope.tube_material and scope.focal_length_mm and scale.um_per_step):
        return None
    per_degC, own = EXPANSION_PER_DEGC[scope.tube_material]
    steps = 1e3 * scope.focal_length_mm / scale.um_per_step.value
    return Estimate(-scale.sense * per_degC * steps, (own**2 + OPTICS_PER_DEGC**2) ** 0.5 * steps)
