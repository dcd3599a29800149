"""Sweeps that stand off their repeats: the focuser or the mirror may have slipped."""

import math
from dataclasses import replace

from .adjustment import Term, adjust, sigma_from_data
from .sweeps import BestFocusData

#: A sweep has slipped if it stands off by this many half-widths of the 95 % interval: a false alarm
#: in fewer than 1 % of nights, 2 % where few repeats scatter by 5 steps.
SLIP_HALF_WIDTHS = 3.0
_ALONE = "this sweep alone"


def slips_seen(
    data: BestFocusData, terms: tuple[Term, ...], *, scatter_scale_steps: float
) -> tuple[str, ...] | None:
    """One sentence for every sweep that stands off the others of its filter.

    Each repeated sweep in turn is taken for a filter of its own; its offset from the filter that
    it belongs to should be nothing, within an interval that holds the scatter of the others.

    Returns
    -------
    tuple of str, or None
        None where fewer than two repeats are left to judge by.
    """
    spare = len(data.ids) - len(data.names) - sum(t.sigma is None for t in terms)
    repeated = [i for i, f in enumerate(data.filters) if data.filters.count(f) > 1]
    if spare < 2:
        return None
    found = []
    for i in repeated:
        apart = replace(data, filters=(*data.filters[:i], _ALONE, *data.filters[i + 1 :]))
        if not _determined(apart, terms, scatter_scale_steps):
            continue  # the only sweep at its temperature, say, has nothing to be compared with
        adjusted = adjust(apart, terms, scatter_scale_steps=scatter_scale_steps)
        offsets = dict(zip(adjusted.filters, adjusted.offsets(data.filters[i]), strict=True))
        off = offsets[_ALONE]
        if abs(off.value) > SLIP_HALF_WIDTHS * off.half95:
            found.append((abs(off.value) / off.half95, i, off))
    if not found:
        return ()
    # One slipped sweep drags the mean of its filter along, so that its repeats seem to have
    # slipped as well: only the worst of each filter is named.
    worst: dict[str, tuple] = {}
    for entry in sorted(found, key=lambda e: -e[0]):
        worst.setdefault(data.filters[entry[1]], entry)
    return tuple(
        f"{data.ids[i]} stands {off.value:+.0f} +- {off.half95:.0f} steps (95 %) off the other "
        f"sweeps of {data.filters[i]}: the focuser or the mirror may have slipped"
        for _, i, off in sorted(worst.values(), key=lambda e: e[1])
    )


def _determined(data: BestFocusData, terms: tuple[Term, ...], scatter_steps: float) -> bool:
    free = (t.name for t in terms if t.sigma is None)
    return all(
        math.isfinite(sigma_from_data(data, terms, name, scatter_steps=scatter_steps))
        for name in free
    )
