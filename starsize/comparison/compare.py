"""From fitted sweeps to the offset table, the colour report, temperature and focuser."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from ..curves.fitted import CurveSet
from ..errors import InputError
from ..estimate import Estimate, Finding, notice
from ..filters import filter_order
from ..setup import EXPANSION_PER_DEGC, Setup, given_setup
from .colour.report import colour_report
from .compared import (
    BacklashFrom,
    ColourReport,
    Comparison,
    FocuserHealth,
    StepSource,
    TemperatureTerm,
)
from .offsets.changes import adjusted_sweeps
from .offsets.found import Found, Scale, zones_in_steps
from .offsets.sweeps import data_of_curves
from .offsets.table import choose_reference, notices_of, offset_table
from .offsets.terms import stated_prior

#: Below this change of temperature no coefficient is stated: two thermometers on one tube differ
#: by as much (common practice).
LEAST_RANGE_DEGC = 0.5
#: A coefficient counts as found from this many standard uncertainties on.
FOUND_SIGMAS = 2.0
#: What the optics may add or take off: as much as a mirror of soda glass expands (9e-6 per degC,
#: materials data bases); fused silica and glass ceramics do less, lenses go either way.
OPTICS_PER_DEGC = 9e-6


def compare_sweeps(
    curves: CurveSet,
    *,
    setup: Setup | None = None,
    reference: str | None = None,
    um_per_step: Estimate | None = None,
    um_per_step_source: StepSource = None,
) -> Comparison:
    """Compare the best focus of all sweeps.

    Parameters
    ----------
    curves : CurveSet
        The fits of all sweeps with their joint covariance; refused ones are listed as such.
    setup : Setup, optional
        Optics for the zones, glass, and what is known of temperature and backlash.
    reference : str, optional
        Filter that offsets count from; L, or the one with most sweeps, by default.
    um_per_step : Estimate, optional
        Micrometres per step; the setup's figure by default. Unknown: no micrometres, no zones.
    um_per_step_source : {"setup", "header", "slope"}, optional

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        If ``reference`` is a filter that none of the sweeps was taken with.

    Notes
    -----
    Accuracy: offsets unbiased, coverage of the stated intervals in
    tests/comparison/offsets/test_coverage.py and scripts/offset_coverage.py.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data: Guide to the expression of uncertainty in
       measurement.

    Examples
    --------
    >>> import numpy as np
    >>> from starsize import fit_curves, focus_curve
    >>> position = np.arange(900, 1101, 20)
    >>> curves = [
    ...     focus_curve(position, np.hypot(1.5, 0.05 * (position - best)), 0.02, filter=name)
    ...     for name, best in (("L", 1000.0), ("R", 1012.0))
    ... ]
    >>> compare_sweeps(fit_curves(curves)).rows[1].move_steps
    12
    """
    known = given_setup(setup)
    filters = sorted({fit.curve.filter for fit in curves.fits}, key=filter_order)
    if reference is not None and filters and reference not in filters:
        msg = f"the reference {reference!r} is not among the filters found: {', '.join(filters)}"
        raise InputError(msg)
    size, stated = um_per_step, known.focuser.um_per_step
    source: StepSource = um_per_step_source or "setup"
    if size is None or not size.value > 0:
        size, source = (Estimate(stated), "setup") if stated else (None, None)
    step = size.value if size else None
    known = replace(known, focuser=replace(known.focuser, um_per_step=step))
    scale = Scale.of(known, size)
    data = data_of_curves(curves, outward=known.focuser.outward)
    if not data.ids:
        usual = "L" if "L" in filters or not filters else filters[0]
        return Comparison(
            reference=reference or usual, rows=offset_table(curves, reference or usual, None),
            filters=(), covariance_steps2=np.zeros((0, 0)),
            colour=ColourReport(verdict="cannot tell", reason=Finding("nothing_to_compare")),
            temperature=TemperatureTerm(expected_steps_per_degC=expected_coefficient(known, scale)),
            focuser=FocuserHealth(um_per_step=size, um_per_step_source=source),
            outward=known.focuser.outward, notices=(notice("nothing_measured"),),
        )  # fmt: skip
    chosen = choose_reference(Counter(data.filters), reference)
    adjustment, changes = adjusted_sweeps(data, known)
    found = Found(
        curves=curves, setup=known, scale=scale, reference=chosen, adjustment=adjustment,
        changes=changes, zone_steps=zones_in_steps(filters, known),
    )  # fmt: skip
    first = sorted(adjustment.filters, key=lambda name: (name != chosen, filter_order(name)))
    offsets = adjustment.offsets(chosen)
    rows = adjustment.contrasts(chosen)[[adjustment.filters.index(name) for name in first]]
    return Comparison(
        reference=chosen, rows=offset_table(curves, chosen, found), filters=tuple(first),
        covariance_steps2=adjustment.covariance_of(rows),
        half95_steps=tuple(offsets[name].half95 for name in first), colour=colour_report(found),
        temperature=_temperature(found), focuser=_focuser(found, source),
        birge_ratio=adjustment.birge_ratio, outward=known.focuser.outward,
        notices=tuple(notices_of(found, reference)),
    )  # fmt: skip


def _focuser(found: Found, source: StepSource) -> FocuserHealth:
    """Play, repeatability, placement and slips; None where the sweeps cannot tell.

    In the terms of ISO 230-2: its reversal value is the mean of best focus reached from one side
    less that from the other; its unidirectional repeatability is 4 s, s being the standard
    deviation that stands here.
    """
    adjustment, placement = found.adjustment, found.curves.placement_steps
    # Sweeps that were fitted together state one play; of several the best known one counts.
    seen = [fit.play_steps for fit in found.curves.answered if fit.play_steps.is_known]
    backlash = min(seen, key=lambda play: play.sigma, default=None)
    known_from: BacklashFrom | None = "flat start" if backlash else None
    if adjustment.source("direction") == "frames":
        backlash, known_from = adjustment.term("direction").estimate, "both directions"
    repeats = adjustment.data.repeated and adjustment.dof >= 1
    own = np.diag(adjustment.data.covariance_steps2)
    return FocuserHealth(
        um_per_step=found.scale.um_per_step, um_per_step_source=source, backlash_steps=backlash,
        backlash_from=known_from,
        repeatability_steps=adjustment.scatter if repeats else None,
        repeatability68_steps=adjustment.scatter68_steps if repeats else None,
        measuring_steps=float(np.sqrt(np.mean(own))),
        placement_steps=placement if placement.is_known else None, slips=found.changes.slips,
    )  # fmt: skip


def _temperature(found: Found) -> TemperatureTerm:
    """The coefficient that the frames give, else the one stated, else none.

    The frames' own is refused where the temperature hardly changed, and where it cannot be told
    from nothing.
    """
    data, stated = found.adjustment.data, stated_prior("temperature", found.setup)
    known = None if stated is None else Estimate(*stated)
    source: Literal["frames", "setup", "none"] = "none" if stated is None else "setup"
    fitted = found.adjustment.source("temperature")
    if fitted is not None and fitted != "bound":
        term = found.adjustment.term("temperature")
        seen = (data.range_degC or 0.0) >= LEAST_RANGE_DEGC
        if fitted == "setup" or (seen and abs(term.value) >= FOUND_SIGMAS * term.sigma):
            known, source = term.estimate, fitted
    return TemperatureTerm(
        steps_per_degC=known, source=source, range_degC=data.range_degC,
        reference_degC=data.reference_degC,
        refocus_degC=refocus_changes(known, found.zone_steps),
        expected_steps_per_degC=expected_coefficient(found.setup, found.scale),
    )  # fmt: skip


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
