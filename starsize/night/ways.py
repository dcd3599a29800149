"""What the way of focus goes with: temperature, time and altitude, where a night tells them apart.

The night is followed once more with a coefficient for each, all at once, on a grid of them: over
their priors at first, then over what is left, along its own axes. A coefficient that is not nothing
at 95 % is told. In a night that cools evenly temperature and time are one, and neither is told;
nor is anything where the sides of focus look alike, for then all may have gone the other way.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from ..estimate import Estimate
from .chain import Nodes, Step
from .course import Course, coefficient_prior, seen_frame, steps_between
from .judge import NightFocus
from .observed import Exposure

#: Prior sigma, zones: of an hour beside the temperature, and of a degree of altitude (common
#: practice: a tube lags behind the air; draw tubes and mirrors sag).
_PER_HOUR_SIGMA, _PER_ALTITUDE_SIGMA = 0.4, 0.05
_GRID = np.array([-1.7, 0.0, 1.7])
#: Rounds of narrowing, each to this share at most.
_ROUNDS, _NARROWEST = 8, 0.5
_TURNS, _OTHER_WAY = 1.96, 0.025
_LEAST_FRAMES = 8


_Known = Literal["degC", "hour", "deg_altitude"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Zones of 550 nm by which focus moves outward for each unit of ``goes_with``."""

    goes_with: _Known
    per_unit: Estimate


def ways_of_focus(
    course: Course, exposures: Sequence[Exposure], focus: NightFocus
) -> tuple[Way, ...]:
    """Coefficients that the night tells; none where only one thing is known to have changed."""
    names, places, sigmas = _regressors(course, exposures)
    if len(names) < 2 or len(exposures) < _LEAST_FRAMES:
        return ()
    steps = [Step()]
    for before, after, step in zip(*zip(*pairwise(places), strict=True),
                                   steps_between(course, exposures)[1:], strict=True):  # fmt: skip
        steps.append(replace(step, changed=tuple(np.nan_to_num(np.subtract(after, before)))))
    likeliest = int(focus.nodes.star[np.argmax(focus.weights)])
    tables = {n: table.of_stars(np.array([likeliest])) for n, table in course.tables.items()}
    seen = [seen_frame(replace(course, tables=tables), one) for one in exposures]
    mean = np.zeros(len(names))
    if course.by_degree:
        mean[0] = coefficient_prior(course.equipment, course.priors, by_degree=True)[0]

    def weighed(coefficient: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        turns = (coefficient - mean) / sigmas
        nodes = Nodes(coefficient, np.zeros(len(turns), int), np.zeros(len(turns)),
                      -0.5 * (turns**2).sum(1))  # fmt: skip
        left = course.chain.after(seen, steps, nodes)
        return left.nodes.coefficient, left.weights

    grid = np.stack(np.meshgrid(*[_GRID] * len(names)), -1).reshape(-1, len(names))
    value, axes = mean, np.diag(sigmas)
    for _ in range(_ROUNDS):
        found, weights = weighed(value + grid @ axes.T)
        value = weights @ found
        spread = np.linalg.solve(axes, (found - value).T)
        covariance = axes @ (spread * weights) @ spread.T @ axes.T
        floor = (_NARROWEST * axes) @ (_NARROWEST * axes).T
        axes = np.linalg.cholesky(covariance + floor)
    found, weights = weighed(np.stack([value, -value]))
    if weights @ (found @ value < 0) > _OTHER_WAY:
        return ()
    every = map(Estimate, value.tolist(), np.sqrt(np.diag(covariance)).tolist())
    ways = [Way(goes_with=n, per_unit=one) for n, one in zip(names, every, strict=True)]
    return tuple(w for w in ways if abs(w.per_unit.value) > _TURNS * w.per_unit.sigma)


def _regressors(
    course: Course, exposures: Sequence[Exposure]
) -> tuple[list[_Known], np.ndarray, np.ndarray]:
    """Names, values by exposure (K, R) and prior sigmas of what is known to have changed."""
    temperature = coefficient_prior(course.equipment, course.priors, by_degree=True)[1]
    every: tuple[tuple[_Known, list[float], float], ...] = (
        ("degC", [e.temperature_degC for e in exposures], temperature),
        ("hour", [24 * e.time_mjd for e in exposures], _PER_HOUR_SIGMA),
        ("deg_altitude", [e.altitude_deg for e in exposures], _PER_ALTITUDE_SIGMA),
    )
    known = [one for one in every if np.mean(np.isfinite(one[1])) > 0.8 and np.nanstd(one[1]) > 0]
    places = np.array([values for _, values, _ in known]).T
    return [name for name, _, _ in known], places, np.array([sigma for *_, sigma in known])
