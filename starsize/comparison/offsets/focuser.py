"""What the sweeps say about the focuser, and of focus against temperature.

In the terms of ISO 230-2: its reversal value is the mean of best focus reached from one side less
that from the other; its unidirectional repeatability is 4 s, s being the standard deviation that
stands here.
"""

from collections.abc import Mapping
from typing import Literal

from ...estimate import Estimate
from ...setup import Setup
from ..compared import BacklashFrom, FocuserHealth, StepSource, TemperatureTerm
from .found import Found, Scale
from .terms import EXPANSION_PER_DEGC, stated_prior

#: Below this change of temperature no coefficient is stated: two thermometers on one tube differ
#: by as much (common practice).
LEAST_RANGE_DEGC = 0.5
#: A coefficient counts as found from this many standard uncertainties on.
FOUND_SIGMAS = 2.0
#: What the optics may add or take off: as much as a mirror of soda glass expands (9e-6 per degC,
#: materials data bases); fused silica and glass ceramics do less, lenses go either way.
OPTICS_PER_DEGC = 9e-6


def focuser_health(found: Found, source: StepSource) -> FocuserHealth:
    """Play, repeatability, placement and slips; None where the sweeps cannot tell."""
    data, adjustment, curves = found.data, found.adjustment, found.curves
    # Sweeps that were fitted together state one play; of several the best known one counts.
    seen = [fit.play_steps for fit in curves.answered if fit.play_steps.is_known]
    backlash = min(seen, key=lambda play: play.sigma, default=None)
    known_from: BacklashFrom | None = "flat start" if backlash else None
    if found.choice.source.get("direction") == "frames":
        play = adjustment.term("direction")
        backlash, known_from = play.estimate, "both directions"
    repeats = len(data.ids) > len(data.names) and adjustment.dof >= 1
    placement = curves.placement_steps
    return FocuserHealth(
        um_per_step=found.scale.um_per_step,
        um_per_step_source=source,
        backlash_steps=backlash,
        backlash_from=known_from,
        repeatability_steps=adjustment.scatter.estimate if repeats else None,
        repeatability68_steps=adjustment.scatter68_steps if repeats else None,
        measuring_steps=adjustment.measuring_steps,
        placement_steps=placement if placement.is_known else None,
        slips=found.changes.slips,
    )


def temperature_term(found: Found) -> TemperatureTerm:
    """The coefficient that the frames give, else the one stated, else none.

    The frames' own is refused where the temperature hardly changed, and where it cannot be told
    from nothing.
    """
    choice, stated = found.choice, stated_prior("temperature", found.setup)
    known = None if stated is None else Estimate(*stated)
    source: Literal["frames", "setup", "none"] = "none" if stated is None else "setup"
    fitted = choice.source.get("temperature")
    if fitted in ("frames", "setup"):
        term = found.adjustment.term("temperature")
        seen = (choice.range_degC or 0.0) >= LEAST_RANGE_DEGC
        if fitted == "setup" or (seen and abs(term.value) >= FOUND_SIGMAS * term.sigma):
            known, source = term.estimate, fitted
    return TemperatureTerm(
        steps_per_degC=known,
        source=source,
        range_degC=choice.range_degC,
        reference_degC=choice.reference_degC,
        refocus_degC=refocus_changes(known, found.zone_steps),
        expected_steps_per_degC=expected_coefficient(found.setup, found.scale),
    )


def refocus_changes(
    coefficient: Estimate | None, zone_steps: Mapping[str, float]
) -> dict[str, Estimate]:
    """Change of temperature that uses up half of each filter's zone, degC; empty if not known."""
    if coefficient is None or coefficient.value == 0:
        return {}
    change = Estimate(1.0, coefficient.relative).times(0.5 / abs(coefficient.value))
    return {name: change.times(zone) for name, zone in zone_steps.items()}


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
