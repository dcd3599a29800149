"""What the layer of a night hands on, and the night judged as a whole."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np

from ..estimate import Estimate, Notice, notice
from ..frames.frame import InputFile
from .causes import Cause, RefocusRule, causes, refocus_rule, ways_of_focus
from .course import Course, prepare_course
from .judge import FilterOffset, FrameFocus, NightFocus, find_offsets, follow
from .observed import Exposure, column, with_scatter
from .telescope import Equipment

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable

_NUMBERS = (
    "probability_lost", "growth", "growth_sigma", "defocus_zones", "defocus_sigma_zones",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NightResult:
    """A night of exposures judged.

    Attributes
    ----------
    exposures : tuple of Exposure
        In order of time.
    frames : tuple of FrameFocus
        One for each exposure.
    causes : tuple of str
    offsets : tuple of FilterOffset
        Empty without a table of offsets.
    rule : RefocusRule or None
        None where no frame tells of focus.
    coefficient : Estimate
        Zones of 550 nm per degree (``by_degree``) or per hour.
    ways : dict of str to Estimate
        Zones that focus moved outward with each ``degC``, ``hour`` and ``deg_altitude``, as far as
        the night tells them apart; empty for a night that goes on.
    equipment : Equipment
    limit : float
        Growth, a fraction, that counts as loss.
    unused : tuple of InputFile
    notices : tuple of Notice

    Examples
    --------
    >>> from starsize import measure_night
    >>> night = measure_night(["tonight"], offsets="my-results")  # doctest: +SKIP
    >>> lost = [one.file for one, frame in zip(night.exposures, night.frames, strict=True)
    ...         if frame.state == "lost"]  # doctest: +SKIP
    >>> night.table["file", "state", "defocus_steps"][:3]  # doctest: +SKIP
    """

    exposures: tuple[Exposure, ...]
    frames: tuple[FrameFocus, ...]
    causes: tuple[Cause, ...]
    offsets: tuple[FilterOffset, ...] = ()
    rule: RefocusRule | None = None
    coefficient: Estimate
    by_degree: bool
    ways: Mapping[str, Estimate] = field(default_factory=dict)
    equipment: Equipment
    limit: float
    unused: tuple[InputFile, ...] = ()
    notices: tuple[Notice, ...] = ()

    def table(self) -> "QTable":
        """A row a frame, with units."""
        from astropy.table import QTable

        seen, judged = self.exposures, self.frames
        return QTable(
            {
                "file": [one.file for one in seen],
                "filter": [one.filter for one in seen],
                "time": column(seen, "time_mjd") * u.day,
                "radius": column(seen, "hfr_px") * u.pix,
                "shape": column(seen, "shape"),
                "state": [one.state for one in judged],
                "cause": list(self.causes),
                **{name: column(judged, name) for name in _NUMBERS},
            }
        )


def judge_night(
    exposures: Sequence[Exposure], equipment: Equipment, *, limit: float = 0.1
) -> NightResult:
    """Judge a night of measured exposures by all of it.

    Parameters
    ----------
    exposures : sequence of Exposure
        In order of time; measured by `measure_night` or elsewhere.
    equipment : Equipment
        With the star of every filter of the exposures (see ``learn``).
    limit : float
        Growth of the stars by defocus alone, a fraction, that counts as loss.

    Returns
    -------
    NightResult

    Raises
    ------
    ValueError
        If there is no exposure, or ``limit`` is not above 0.

    Examples
    --------
    >>> from starsize import equipment_from_setup, load_setup
    >>> equipment = equipment_from_setup(load_setup("setup.toml"), ["L"])  # doctest: +SKIP
    >>> judge_night(exposures, equipment)  # doctest: +SKIP
    """
    if not exposures:
        msg = "'exposures' must hold at least one exposure, got none"
        raise ValueError(msg)
    if not limit > 0:
        msg = f"'limit' must exceed 0, got {limit}"
        raise ValueError(msg)
    course = prepare_course(with_scatter(exposures), equipment, limit=limit)
    focus, offsets = find_offsets(course, follow(course))
    return replace(night_result(course, focus, offsets), ways=ways_of_focus(course, focus))


def night_result(
    course: Course, focus: NightFocus, offsets: tuple[FilterOffset, ...] = ()
) -> NightResult:
    """Put together what was found."""
    told = [one for one in course.exposures if one.filter not in course.untold]
    notices: tuple[Notice, ...] = ()
    if course.equipment.assumed:
        notices = (Notice("telescope_assumed", course.equipment.assumed),)
    if course.untold:
        swept = course.equipment.learnt
        notices = (*notices, notice("lens_with_colour", filters=course.untold, swept=swept))
    return NightResult(
        exposures=course.exposures,
        frames=focus.frames,
        causes=causes(course, focus, offsets),
        offsets=offsets,
        rule=refocus_rule(course, focus) if np.isfinite(column(told, "hfr_px")).any() else None,
        coefficient=focus.coefficient,
        by_degree=course.by_degree,
        equipment=course.equipment,
        limit=course.limit,
        notices=notices,
    )
