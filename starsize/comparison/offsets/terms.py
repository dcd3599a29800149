"""Which unknowns the sweeps can determine beside the filters, and what stands in where not."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ...setup import Setup
from .adjustment import Scatter, Term, sigmas_from_data
from .sweeps import BestFocusData

Source = Literal["frames", "setup", "bound"]

#: Expansion per degC and its standard uncertainty. Aluminium 6061 (handbook value, from memory;
#: materials data bases have 23.1e-6 for generic aluminium); steel 12e-6 and 11e-6 (C22), Invar
#: 1.25e-6 (the same data bases); carbon -0.5e-6 to 1e-6 by lay-up (handbook value, from memory).
EXPANSION_PER_DEGC = {
    "aluminium": (23.6e-6, 0.5e-6),
    "steel": (11.7e-6, 0.5e-6),
    "invar": (1.25e-6, 0.3e-6),
    "carbon": (0.25e-6, 0.43e-6),
}
#: A coefficient beyond 2.5 times that of an aluminium tube as long as the focal length is not seen
#: (common practice: lens cells and fast mirrors add to the tube, rarely more than as much again).
COEFFICIENT_ROOM = 2.5
#: Bounds where focal length or step size are not known: 40 um per degC is the same rule for
#: 680 mm; 10 steps per degC is that with steps of 4 um (common practice).
COEFFICIENT_BOUND_UM = 40.0
COEFFICIENT_BOUND_STEPS = 10.0
#: A clear night cools by about 1 degC an hour (common practice); used where no thermometer was.
COOLING_DEGC_PER_HOUR = 1.0
#: Reversing loses 0 to 200 steps (common practice).
BACKLASH_BOUND_STEPS = 200.0
#: The zero of the focuser from one night to the next, once the camera has been off: 1 mm.
NIGHT_BOUND_UM, NIGHT_BOUND_STEPS = 1000.0, 250.0
#: How well best focus usually repeats, focuser, tube and air together, the curves' own
#: uncertainty not included (common practice: 1.5 to 11 um for two rigs in three).
REPEATS_UM = 4.0
#: Share of a stated value that is taken as its uncertainty where none is stated.
STATED_SHARE = 0.2
#: Frames determine a term if they alone give it this fraction of what is known beforehand.
CLEARLY_BETTER = 1 / 3
_HOURS = 24.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TermChoice:
    """The terms of the adjustment, what each rests on (``source``), and the scatter to expect.

    ``bound`` holds the largest plausible size of each.
    """

    terms: tuple[Term, ...]
    source: dict[str, Source]
    bound: dict[str, float]
    scatter: Scatter
    reference_degC: float | None
    range_degC: float | None
    coefficient_bound: float


def expected_scatter(setup: Setup, um_per_step: float | None) -> Scatter:
    """Run-to-run scatter before any repeat was seen: as stated, else as is common.

    Where nothing at all is known, a step.
    """
    if setup.focuser.repeatability_steps is not None:
        return Scatter(max(setup.focuser.repeatability_steps, 1e-3), STATED_SHARE)
    return Scatter(REPEATS_UM / um_per_step if um_per_step else 1.0)


def coefficient_bound(setup: Setup, um_per_step: float | None) -> float:
    """Largest plausible size of the temperature coefficient, steps per degC."""
    if um_per_step is None:
        return COEFFICIENT_BOUND_STEPS
    focal = setup.telescope.focal_length_mm
    if focal is None:
        return COEFFICIENT_BOUND_UM / um_per_step
    return COEFFICIENT_ROOM * EXPANSION_PER_DEGC["aluminium"][0] * focal * 1e3 / um_per_step


def choose_terms(data: BestFocusData, *, setup: Setup, um_per_step: float | None) -> TermChoice:
    """Decide by the design alone which terms are fitted, and bound the others."""
    per_degC, scatter = coefficient_bound(setup, um_per_step), expected_scatter(setup, um_per_step)
    temperature = data.temperature_degC
    known = temperature[np.isfinite(temperature)]
    warm = known.size == temperature.size
    night_bound = NIGHT_BOUND_UM / um_per_step if um_per_step else NIGHT_BOUND_STEPS
    columns = {
        f"night {night + 1}": ((data.night == night).astype(float), night_bound)
        for night in range(1, int(data.night.max()) + 1)
    }
    if warm and np.ptp(temperature) > 0:
        columns["temperature"] = temperature - np.mean(temperature), per_degC
    hours = hours_of(data)
    if not warm and hours is not None:
        columns["drift"] = hours, per_degC * COOLING_DEGC_PER_HOUR
    if np.ptp(data.direction) > 0:
        # Counted from the direction of most sweeps; of the first of them where it is a draw.
        ways = [d for d in data.direction.tolist() if d]
        columns["direction"] = data.direction - max(ways, key=ways.count), BACKLASH_BOUND_STEPS
    bounded = [Term(name=name, column=c, bound=size) for name, (c, size) in columns.items()]
    alone = sigmas_from_data(data, bounded, scatter_steps=scatter.median_steps)
    settled = [_settled(t, sigma, setup) for t, sigma in zip(bounded, alone, strict=True)]
    return TermChoice(
        terms=tuple(term for term, _ in settled),
        source={term.name: source for term, source in settled},
        bound={name: size for name, (_, size) in columns.items()},
        scatter=scatter,
        reference_degC=float(np.mean(temperature)) if warm else None,
        range_degC=float(np.ptp(known)) if known.size else None,
        coefficient_bound=per_degC,
    )


def _settled(term: Term, sigma_from_data: float, setup: Setup) -> tuple[Term, Source]:
    """Free a term that the frames determine; put in what the setup states of another."""
    stated = stated_prior(term.name, setup)
    limit = min(stated[1], term.sigma) if stated else CLEARLY_BETTER * term.sigma
    if sigma_from_data < limit:
        return replace(term, bound=None), "frames"
    if stated:
        return replace(term, bound=None, prior_value=stated[0], prior_sigma=stated[1]), "setup"
    return term, "bound"


def plausible_terms(data: BestFocusData, choice: TermChoice, setup: Setup) -> tuple[Term, ...]:
    """The terms with all of them as is usual or stated, and a drift in time where there is none.

    For telling a sudden change from a steady one: a slip one way may look like a slip the other
    way on a slope that no telescope has. What a thermometer does not see (a tube that lags behind
    the air) is no slip either. The zero of a night is no slope: it stays free where frames tell it.
    """
    drift = choice.coefficient_bound * COOLING_DEGC_PER_HOUR

    def usual(term: Term) -> Term:
        """As stated, else spread as widely as an aluminium tube expands."""
        stated = stated_prior(term.name, setup)
        if stated is not None:
            return replace(term, prior_value=stated[0], prior_sigma=stated[1])
        bound = choice.bound.get(term.name, drift)
        return replace(term, prior_sigma=bound / COEFFICIENT_ROOM)

    free = [t for t in choice.terms if np.isinf(t.sigma) and not t.name.startswith("night")]
    kept = tuple(usual(t) if t in free else t for t in choice.terms)
    hours = hours_of(data)
    if hours is None or "drift" in choice.source:
        return kept
    return (*kept, usual(Term(name="drift", column=hours)))


def with_doubtful_directions(data: BestFocusData, backlash_steps: float) -> BestFocusData:
    """Widen the sweeps whose direction nobody knows by half the play."""
    extra = np.diag((data.direction == 0) * (backlash_steps / 2) ** 2)
    return replace(data, covariance_steps2=data.covariance_steps2 + extra)


def stated_prior(name: str, setup: Setup) -> tuple[float, float] | None:
    """What the setup states about a term: value and standard uncertainty."""
    focuser = setup.focuser
    if name == "temperature" and (value := focuser.steps_per_degC) is not None:
        return value, focuser.steps_per_degC_sigma or max(STATED_SHARE * abs(value), 1e-6)
    if name == "direction" and (value := focuser.backlash_steps) is not None:
        return value, max(STATED_SHARE * abs(value), 1.0)
    return None


def hours_of(data: BestFocusData) -> np.ndarray | None:
    """Hours since the middle of each sweep's own night; None where a time is missing."""
    time = data.time_mjd * _HOURS
    if not np.isfinite(time).all() or np.ptp(time) == 0:
        return None
    hours = time - (np.bincount(data.night, time) / np.bincount(data.night))[data.night]
    return hours if np.ptp(hours) > 0 else None
