"""Which unknowns the sweeps can determine beside the filters, and what stands in where not."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from ...setup import EXPANSION_PER_DEGC, Setup
from .adjustment import Scatter, Term, system_of
from .sweeps import BestFocusData

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


def expected_scatter(setup: Setup) -> Scatter:
    """Run-to-run scatter before any repeat was seen: as stated, else as is common.

    Where nothing at all is known, a step.
    """
    stated, step = setup.focuser.repeatability_steps, setup.focuser.um_per_step
    if stated is not None:
        return Scatter(max(stated, 1e-3), STATED_SHARE)
    return Scatter(REPEATS_UM / step if step else 1.0)


def coefficient_bound(setup: Setup) -> float:
    """Largest plausible size of the temperature coefficient, steps per degC."""
    step, focal = setup.focuser.um_per_step, setup.telescope.focal_length_mm
    if step is None:
        return COEFFICIENT_BOUND_STEPS
    if focal is None:
        return COEFFICIENT_BOUND_UM / step
    return COEFFICIENT_ROOM * EXPANSION_PER_DEGC["aluminium"][0] * focal * 1e3 / step


def stated_prior(name: str, setup: Setup) -> tuple[float, float] | None:
    """What the setup states about a term: value and standard uncertainty."""
    focuser = setup.focuser
    if name == "temperature" and (value := focuser.steps_per_degC) is not None:
        return value, focuser.steps_per_degC_sigma or max(STATED_SHARE * abs(value), 1e-6)
    if name == "direction" and (value := focuser.backlash_steps) is not None:
        return value, max(STATED_SHARE * abs(value), 1.0)
    return None


def choose_terms(data: BestFocusData, setup: Setup) -> tuple[Term, ...]:
    """Free the terms that the frames determine, put in what the setup states, bound the others.

    It rests on the design, never on the positions found, so that deciding by it leaves the coverage
    of the intervals alone.
    """
    terms = list(_bounded(data, setup))
    scatter = expected_scatter(setup).median_steps
    variance = np.diag(system_of(data, terms).solve(scatter).covariance[0])[len(data.names) :]
    chosen = []
    for term, after in zip(terms, variance.tolist(), strict=True):
        stated = stated_prior(term.name, setup)
        limit = min(stated[1], term.sigma) if stated else CLEARLY_BETTER * term.sigma
        # What the frames alone would give it, the other terms with their bounds. A millionth of
        # what was known beforehand: what is learned below that is rounding.
        learned = 1 / after - term.sigma**-2.0
        if learned > 1e-6 / after and learned**-0.5 < limit:
            chosen.append(replace(term, source="frames"))
        elif stated:
            value, sigma = stated
            chosen.append(replace(term, source="setup", prior_value=value, prior_sigma=sigma))
        else:
            chosen.append(term)
    return tuple(chosen)


def _bounded(data: BestFocusData, setup: Setup) -> Iterator[Term]:
    """Every term that the sweeps may hang on, within its bound."""

    def term(name: str, column: np.ndarray, bound: float) -> Term:
        return Term(name=name, column=column, bound=bound, source="bound")

    per_degC, temperature = coefficient_bound(setup), data.temperature_degC
    step = setup.focuser.um_per_step
    zero = NIGHT_BOUND_UM / step if step else NIGHT_BOUND_STEPS
    warm = np.isfinite(temperature).all()
    for night in range(1, int(data.night.max()) + 1):
        yield term(f"night {night + 1}", (data.night == night).astype(float), zero)
    if warm and np.ptp(temperature) > 0:
        yield term("temperature", temperature - np.mean(temperature), per_degC)
    if not warm and data.hours is not None:
        yield term("drift", data.hours, per_degC * COOLING_DEGC_PER_HOUR)
    if np.ptp(data.direction) > 0:
        # Counted from the direction of most sweeps; of the first of them where it is a draw.
        ways = [d for d in data.direction.tolist() if d]
        usual = max(ways, key=ways.count)
        yield term("direction", data.direction - usual, BACKLASH_BOUND_STEPS)


def plausible_terms(data: BestFocusData, terms: Sequence[Term], setup: Setup) -> tuple[Term, ...]:
    """The terms with all of them as is usual or stated, and a drift in time where there is none.

    For telling a sudden change from a steady one: a slip one way may look like a slip the other
    way on a slope that no telescope has. What a thermometer does not see (a tube that lags behind
    the air) is no slip either. The zero of a night is no slope: it stays free where frames tell it.
    """

    def usual(term: Term) -> Term:
        """As stated, else spread as widely as an aluminium tube expands."""
        if term.source != "frames" or term.name.startswith("night"):
            return term
        value, sigma = stated_prior(term.name, setup) or (0.0, term.bound / COEFFICIENT_ROOM)
        return replace(term, prior_value=value, prior_sigma=sigma)

    kept = tuple(usual(term) for term in terms)
    if data.hours is None or "drift" in {term.name for term in terms}:
        return kept
    drift = coefficient_bound(setup) * COOLING_DEGC_PER_HOUR
    return (*kept, usual(Term(name="drift", column=data.hours, bound=drift)))
