"""What a term that is only bounded may put into one filter's offset."""

import numpy as np

from ...estimate import Finding
from .sweeps import BestFocusData
from .terms import TermChoice

#: Effects below half a step move nothing.
WORTH_SAYING_STEPS = 0.5


def bounded_effects(
    data: BestFocusData, choice: TermChoice, *, reference: str, name: str
) -> list[Finding]:
    """Every bounded effect on the offset of one filter from the reference, with its ``steps``."""
    bounded = [term for term, source in choice.source.items() if source == "bound"]
    pair = {"reference": reference, "name": name}
    repeated = data.filters.count(reference) > 1
    found = []
    for term in [t for t in ("temperature", "drift", "direction") if t in bounded]:
        size = choice.bound[term]
        apart = _between(data, _column(choice, term), reference, name)
        if term == "temperature":
            facts = {"change_degC": apart, "steps": abs(apart) * size, "repeated": repeated}
        elif term == "drift":
            facts = {"hours": abs(apart), "steps": abs(apart) * size, "repeated": repeated}
        else:
            # Half-way means that nobody knows; the play may then lie either way.
            facts = {"opposite": abs(apart) > 0.99, "steps": size if apart else 0.0}
        found.append(Finding(f"{term}_bounded", **pair, **facts))
    nights = sorted(t for t in bounded if t.startswith("night"))
    if any(_between(data, _column(choice, n), reference, name) for n in nights):
        found.append(Finding("other_nights", **pair, steps=choice.bound[nights[0]]))
    return [effect for effect in found if effect.facts["steps"] >= WORTH_SAYING_STEPS]


def _column(choice: TermChoice, term: str) -> np.ndarray:
    return next(t.column for t in choice.terms if t.name == term)


def _between(data: BestFocusData, values: np.ndarray, reference: str, name: str) -> float:
    """Mean over the sweeps of one filter minus that over the sweeps of the reference."""
    filters = np.array(data.filters)
    return float(np.mean(values[filters == name]) - np.mean(values[filters == reference]))
