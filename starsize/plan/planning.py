"""From the equipment to a plan: positions, then order and number of sweeps, then what they tell."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from typing import Final

import numpy as np

from ..comparison import colour_verdict
from ..curves.design import Design, design_of
from ..errors import InputError
from ..frames.tables import PlannedExposure
from ..setup import Setup
from .equipment import Equipment, Scouted, equip
from .forecast import Forecast, Programme, forecast, slip_would_show
from .planned import CapturePlan, More
from .positions import WANTED_STARS, even_positions, order_of_sweeps, reach_steps

FRAMES: Final = (7, 9, 11, 13)
"""Frames a sweep may have: of seven any one may be lost while best focus lies two zones off."""
BETWEEN: Final = (4, 3, 2, 1)
"""How many filters may stand between two sweeps of the reference."""
ROUNDS_ASKED, ROUNDS = 6, 2
"""Most rounds where an uncertainty is asked for, and where not."""
ZONE_SHARE: Final = 0.25
"""Uncertainty that is planned for where none is asked: of the smallest zone. Then the 95 % interval
takes half of the zone."""
NEARLY: Final = 1.05
"""Where nothing reaches what is wanted, the shortest night that is as good as the best but for so
much is taken."""
FEWEST_REACH: Final = 4
"""Steps of the focuser from focus to the end of a sweep."""
ENOUGH: Final = 0.7
"""Share of the stars wanted below which it is said that there are few."""


def plan_capture(
    setup: Setup,
    *,
    filters: Sequence[str] = (),
    reference: str | None = None,
    position_steps: float | None = None,
    hfr_px: float | None = None,
    told: Scouted | None = None,
    sigma_steps: float | None = None,
    sigma_zones: float | None = None,
) -> CapturePlan:
    """Plan focus sweeps: where, how long, how often, in which order, and what they will tell.

    Parameters
    ----------
    setup : Setup
        At least focal length, aperture and step size.
    filters : sequence of str
        Those of the setup, or L, R, G and B, where not given.
    reference : str, optional
        L, or the first, by default.
    position_steps : float, optional
        About where best focus lies.
    hfr_px : float, optional
        Half-flux radius in focus.
    told : Scouted, optional
        From `frames_told` or `result_told`.
    sigma_steps, sigma_zones : float, optional
        Standard uncertainty wanted for each offset, in steps or in the smallest zone; a quarter of
        that zone by default.

    Returns
    -------
    CapturePlan

    Raises
    ------
    InputError
        If something is missing that cannot be assumed, or cannot be.

    Examples
    --------
    >>> from starsize.setup import Focuser, Setup, Telescope
    >>> setup = Setup(
    ...     telescope=Telescope(focal_length_mm=480.0, aperture_mm=87.0),
    ...     focuser=Focuser(um_per_step=4.0),
    ... )
    >>> plan = plan_capture(setup, position_steps=12000)
    >>> plan.reached, len(plan.exposures), plan.exposures[0].filter
    (True, 35, 'L')
    """
    equipment = equip(
        setup, filters=filters, reference=reference, position_steps=position_steps, hfr_px=hfr_px,
        told=told,
    )  # fmt: skip
    design, patterns = _layout(equipment)
    asked = sigma_steps is not None or sigma_zones is not None
    wanted = sigma_steps or (sigma_zones or ZONE_SHARE) * min(equipment.zone_steps.values())
    rounds = ROUNDS_ASKED if asked else ROUNDS
    programme, chosen = _choose(equipment, design, patterns, wanted, rounds=rounds)
    away = [round(float(a)) for a in np.repeat(design.away_steps, programme.pattern)]
    centre = {name: round(steps) for name, steps in equipment.centre_steps.items()}
    exposures = tuple(
        PlannedExposure(
            order=number, sweep=sweep, filter=name, position_steps=centre[name] + steps,
            exposure_s=equipment.exposure_s[name],
        )
        for number, ((sweep, name), steps) in enumerate(
            product(enumerate(programme.order, 1), away), 1
        )
    )  # fmt: skip
    stars = {
        name: equipment.light.stars_in(equipment.exposure_s[name] * band.width_nm)
        for name, band in equipment.outlook.bands.items()
    }
    return CapturePlan(
        setup=equipment.setup,
        reference=equipment.filters[0],
        exposures=exposures,
        away_steps=tuple(away),
        centre_steps=centre,
        run_in_steps=equipment.run_in_steps,
        wanted_sigma_steps=wanted,
        reached=chosen.worst_steps <= wanted,
        duration_s=float(programme.spent_s(equipment).sum()),
        exposure_s=sum(one.exposure_s for one in exposures),
        offsets=chosen.offsets,
        zone_steps=equipment.zone_steps,
        can_answer=_answers(chosen, equipment),
        more=tuple(_more(programme, chosen, equipment, design, patterns)),
        assumed=equipment.assumed,
        hfr_px=equipment.outlook.floor_px,
        few_stars={name: n for name, n in stars.items() if n < ENOUGH * WANTED_STARS},
    )


Patterns = Mapping[int, np.ndarray]
"""By number of frames how many of them stand at each place."""


def _layout(equipment: Equipment) -> tuple[Design, Patterns]:
    """Choose the positions: what frames would tell there."""
    outlook = equipment.outlook
    slope = outlook.telescope.slope_px_per_step or 1.0
    slope *= float(np.sqrt((1 + outlook.telescope.obstruction**2) / 2))
    reach = reach_steps(outlook.floor_px, slope)
    if reach < FEWEST_REACH:
        raise InputError(
            f"steps of {equipment.setup.focuser.um_per_step:g} um are too coarse for this "
            f"telescope: stars grow fourfold within {reach:.1f} of them; check um_per_step under "
            "[focuser]"
        )
    fitting = [n for n in FRAMES if n <= 2 * reach + 1]
    # One more than planned tells what one more would buy.
    places = {n: even_positions(n, reach) for m in fitting for n in (m, m + 1)}
    away = np.unique(np.concatenate(list(places.values())))
    try:
        design = design_of(equipment.filters, away, outlook=outlook)
    except ValueError as error:
        raise InputError(f"{error}: check focal length, aperture, pixel size and --hfr") from error
    return design, {
        n: np.bincount(np.searchsorted(away, at), minlength=away.size) for n, at in places.items()
    }


def _choose(
    equipment: Equipment, design: Design, patterns: Patterns, wanted: float, *, rounds: int
) -> tuple[Programme, Forecast]:
    """The shortest night that reaches what is wanted, else one that comes nearest."""
    reference, *others = equipment.filters
    spaces = [b for b in BETWEEN if b <= len(others) or b == BETWEEN[-1]]
    frames = [n for n in sorted(patterns) if n in FRAMES]
    made = [
        Programme(
            order_of_sweeps(reference, others, rounds=number, between=between),
            patterns[n], n, number, between,
        )
        for number, between, n in product(range(1, rounds + 1), spaces, frames)
    ]  # fmt: skip
    tried = []
    for programme in sorted(made, key=lambda one: float(one.spent_s(equipment).sum())):
        tried.append((programme, forecast(programme, equipment, design)))
        if tried[-1][1].worst_steps <= wanted:
            return tried[-1]
    limit = NEARLY * min(told.worst_steps for _, told in tried)
    return next(one for one in tried if one[1].worst_steps <= limit)


def _answers(told: Forecast, equipment: Equipment) -> dict[str, bool]:
    """Which questions the night answers."""
    zones = np.array([equipment.zone_steps[name] for name in told.offsets])
    # Colours that do focus together would be seen to.
    word = colour_verdict(np.zeros(zones.size), told.covariance_steps2, zones)
    slip = slip_would_show(told.data, equipment.setup)
    return {
        "colour": word == "together", "slip": slip, "temperature": told.temperature,
        "play": told.play,
    }  # fmt: skip


def _more(
    programme: Programme, now: Forecast, equipment: Equipment, design: Design, patterns: Patterns
) -> Iterator[More]:
    """What one frame a sweep, one sweep and one hour more would buy."""
    order, pattern, before = programme.order, programme.pattern, now.worst_steps
    name = max(now.offsets, key=lambda one: now.offsets[one].sigma)

    def told(one: Programme) -> Forecast:
        return forecast(one, equipment, design)

    frame = told(Programme(order, patterns[programme.frames + 1])).worst_steps
    yield More(what="frame", before_steps=before, after_steps=frame)
    sweep = told(Programme((*order[:-1], name, order[-1]), pattern)).offsets[name].sigma
    yield More(what="sweep", filter=name, before_steps=before, after_steps=sweep)
    hour = told(_longer(programme, equipment)).worst_steps
    yield More(what="hour", before_steps=before, after_steps=hour)


def _longer(programme: Programme, equipment: Equipment) -> Programme:
    """As many sweeps of further rounds as an hour holds."""
    reference, *others = equipment.filters
    more, between = programme.rounds + 20, programme.between
    order = order_of_sweeps(reference, others, rounds=more, between=between)
    end_s = np.cumsum(Programme(order, programme.pattern).spent_s(equipment))
    count = np.count_nonzero(end_s <= end_s[len(programme.order) - 1] + 3600.0)
    return Programme(order[:count], programme.pattern)
