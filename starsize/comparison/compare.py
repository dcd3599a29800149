"""From fitted sweeps to the offset table, the colour report, temperature and focuser."""

from collections import Counter

import numpy as np

from ..curves.fitted import CurveSet
from ..errors import InputError
from ..estimate import Estimate, Finding, notice
from ..filters import filter_order
from ..setup import Setup, given_setup
from .colour.report import colour_report
from .compared import ColourReport, Comparison, FocuserHealth, StepSource, TemperatureTerm
from .offsets.focuser import expected_coefficient, focuser_health, temperature_term
from .offsets.found import Found, Scale, adjusted_sweeps, zones_in_steps
from .offsets.remarks import notices_of
from .offsets.sweeps import data_of_curves
from .offsets.table import choose_reference, offset_table


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
    if size is None or not size.is_known or size.value <= 0:
        size, source = (Estimate(stated), "setup") if stated else (None, None)
    scale = Scale.of(known, size)
    um = size.value if size else None
    zones = zones_in_steps(filters, setup=known, um_per_step=um)
    data = data_of_curves(curves, outward=known.focuser.outward)
    if not data.ids:
        usual = "L" if "L" in filters or not filters else filters[0]
        expected = expected_coefficient(known, scale)
        return Comparison(
            reference=reference or usual,
            rows=offset_table(curves, reference or usual, None),
            filters=(),
            covariance_steps2=np.zeros((0, 0)),
            colour=ColourReport(verdict="cannot tell", reason=Finding("nothing_to_compare")),
            temperature=TemperatureTerm(expected_steps_per_degC=expected),
            focuser=FocuserHealth(um_per_step=size, um_per_step_source=source),
            outward=known.focuser.outward,
            notices=(notice("nothing_measured"),),
        )
    chosen = choose_reference(Counter(data.filters), reference)
    choice, adjustment, changes = adjusted_sweeps(data, setup=known, um_per_step=um)
    night = Found(
        curves=curves, setup=known, scale=scale, reference=chosen, zone_steps=zones, data=data,
        choice=choice, adjustment=adjustment, changes=changes,
    )  # fmt: skip
    first = sorted(adjustment.filters, key=lambda name: (name != chosen, filter_order(name)))
    order = [adjustment.filters.index(name) for name in first]
    offsets = adjustment.offsets(chosen)
    return Comparison(
        reference=chosen,
        rows=offset_table(curves, chosen, night),
        filters=tuple(first),
        covariance_steps2=adjustment.mixture.covariance_of(adjustment.contrasts(chosen)[order]),
        half95_steps=tuple(offsets[i].half95 for i in order),
        colour=colour_report(night),
        temperature=temperature_term(night),
        focuser=focuser_health(night, source),
        birge_ratio=adjustment.birge_ratio,
        outward=known.focuser.outward,
        notices=tuple(notices_of(night, reference)),
    )
