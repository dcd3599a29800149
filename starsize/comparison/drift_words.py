"""What a term that is only bounded may put into one filter's offset, in plain words."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .offsets.sweeps import BestFocusData
from .offsets.terms import TermChoice

#: Effects below half a step move nothing.
WORTH_SAYING_STEPS = 0.5


@dataclass(frozen=True, slots=True)
class Effect:
    """How many steps an unknown may put into an offset, and the sentence for it."""

    steps: float
    text: str


def bounded_effects(
    data: BestFocusData, choice: TermChoice, *, reference: str, name: str
) -> list[Effect]:
    """Every bounded effect on the offset of one filter from the reference."""
    bounded = {n for n, source in choice.source.items() if source == "bound"}
    found = [
        effect(data, choice, reference, name)
        for term, effect in _EFFECTS.items()
        if term in bounded
    ]
    nights = sorted(n for n in bounded if n.startswith("night"))
    if any(_between(data, _column(choice, n), reference, name) for n in nights):
        text = (
            f"{reference} and {name} were taken on different nights that share no filter; sweep "
            f"both in one night"
        )
        found.append(Effect(choice.bound[nights[0]], text))
    return [e for e in found if e.steps >= WORTH_SAYING_STEPS]


def _temperature(data: BestFocusData, choice: TermChoice, reference: str, name: str) -> Effect:
    change = _between(data, data.temperature_degC, reference, name)
    size = abs(change) * choice.bound["temperature"]
    verb = "cooled" if change < 0 else "warmed"
    return Effect(
        size,
        f"the tube {verb} {abs(change):.1f} degC from {reference} to {name}, which may hold up to "
        f"{size:.0f} steps of focus drift; {_remedy(data, reference, name)}",
    )


def _remedy(data: BestFocusData, reference: str, name: str) -> str:
    """What to capture; a reference repeated already did not tell enough."""
    if data.filters.count(reference) > 1:
        return f"sweep {reference} right before and after {name}"
    return f"repeat {reference} at the end"


def _drift(data: BestFocusData, choice: TermChoice, reference: str, name: str) -> Effect:
    hours = abs(_between(data, _column(choice, "drift"), reference, name))
    size = hours * choice.bound["drift"]
    return Effect(
        size,
        f"no temperatures were recorded; {hours:.1f} h passed between {reference} and {name}, "
        f"which may hold up to {size:.0f} steps of cooling; {_remedy(data, reference, name)}",
    )


def _direction(data: BestFocusData, choice: TermChoice, reference: str, name: str) -> Effect:
    turned = abs(_between(data, _column(choice, "direction"), reference, name))
    # Half-way means that nobody knows; the play may then lie either way.
    known = turned > 0.99
    size = (1.0 if turned else 0.0) * choice.bound["direction"]
    how = "from opposite sides" if known else "not surely from the same side"
    return Effect(
        size,
        f"{reference} and {name} were approached {how}, which may hold up to "
        f"{size:.0f} steps of backlash; sweep every filter in the same direction",
    )


_EFFECTS: dict[str, Callable[[BestFocusData, TermChoice, str, str], Effect]] = {
    "temperature": _temperature,
    "drift": _drift,
    "direction": _direction,
}


def _column(choice: TermChoice, term: str) -> np.ndarray:
    return next(t.column for t in choice.terms if t.name == term)


def _between(data: BestFocusData, values: np.ndarray, reference: str, name: str) -> float:
    """Mean over the sweeps of one filter minus that over the sweeps of the reference."""
    filters = np.array(data.filters)
    return float(np.mean(values[filters == name]) - np.mean(values[filters == reference]))
