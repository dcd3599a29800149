"""What the page shows, worked out before the template sees it."""

from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from ..comparison.compared import Comparison, OffsetRow
from ..curves.fitted import CurveFit
from ..setup import Setup
from .entries import FileEntry, file_entries
from .numbers import known, number_text, time_text
from .predicted import curve_line
from .result import RunResult
from .sentences import (
    APPROACH_WORDS,
    MODEL_WORDS,
    VERDICT_WORDS,
    bound_sentence,
    colour_headline,
    direction,
    headline,
    move_text,
    row_sentence,
)
from .tables import mean_temperature, stars_of, start_mjd
from .unanswered import open_questions


@dataclass(frozen=True, slots=True)
class Rail:
    """A filter on the rail of the table: places in per cent of its length, outward to the right."""

    zero: float
    place: float | None = None
    zone_from: float | None = None
    zone_width: float | None = None
    sigma_from: float | None = None
    sigma_width: float | None = None


def page_view(result: RunResult) -> dict[str, Any]:
    """Everything the template needs, as plain values."""
    comparison, setup = result.comparison, result.setup
    entries = file_entries(result)
    step = comparison.focuser.um_per_step
    return {
        "headline": headline(result),
        "colour_headline": colour_headline(comparison.colour),
        "facts": _facts(result, entries),
        "rows": _rows(comparison, setup),
        "reference": comparison.reference,
        "colour": comparison.colour,
        "colour_figures": _colour_figures(result),
        "um_per_step": step.value if step is not None and step.is_known else None,
        "sweeps": [_sweep(fit, number) for number, fit in enumerate(result.curves.fits, 1)],
        "temperature": comparison.temperature,
        "temperature_figure": _temperature_figure(result),
        "focuser": comparison.focuser,
        "birge_ratio": comparison.birge_ratio,
        "notices": list(dict.fromkeys(result.notices)),
        "questions": open_questions(result),
        "entries": entries,
        "time_text": time_text,
        "known": known,
        "models": sorted({MODEL_WORDS[fit.model] for fit in result.curves.answered}),
        "out_sign": "+" if setup.focuser.outward == "increasing" else "-",
    }


def _facts(result: RunResult, entries: tuple[FileEntry, ...]) -> list[str]:
    starts = [start for fit in result.curves.fits if (start := start_mjd(fit)) is not None]
    used = sum(entry.used for entry in entries)
    facts = [
        f"{used} of {len(entries)} files used",
        f"{len(result.sweeps)} sweep{'' if len(result.sweeps) == 1 else 's'}",
    ]
    if starts:
        facts.insert(0, time_text(min(starts)).replace("T", " ").removesuffix(":00Z") + " UTC")
    return facts


def _rows(comparison: Comparison, setup: Setup) -> list[dict[str, Any]]:
    rails = rails_of(comparison.rows, setup)
    return [
        {
            "row": row,
            "tint": _tint(row.filter),
            "is_reference": row.filter == row.reference,
            "way": "" if row.move_steps is None else direction(row.move_steps, setup),
            "sentence": row_sentence(row, setup),
            "move": move_text(row.move_steps, setup),
            "rail": rail,
        }
        for row, rail in zip(comparison.rows, rails, strict=True)
    ]


def rails_of(rows: tuple[OffsetRow, ...], setup: Setup) -> list[Rail]:
    """Lay all filters out on one rail that holds every zone and the reference."""
    sign = 1 if setup.focuser.outward == "increasing" else -1
    spans = []
    for row in rows:
        offset = known(row.offset_steps)
        reach = max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0)
        if offset is not None:
            spans.append((sign * offset - reach, sign * offset + reach))
    low = min([0.0, *(span[0] for span in spans)])
    high = max([0.0, *(span[1] for span in spans)])
    length = 1.08 * (high - low) or 1.0
    start = (low + high - length) / 2
    return [_rail(row, sign, start, length) for row in rows]


def _rail(row: OffsetRow, sign: int, start: float, length: float) -> Rail:
    def place(value: float) -> float:
        return round(100 * (value - start) / length, 2)

    def width(value: float) -> float:
        return round(200 * value / length, 2)

    offset = known(row.offset_steps)
    if offset is None:
        return Rail(place(0.0))
    zone, sigma = known(row.zone_steps), known(row.offset_sigma_steps)
    centre = sign * offset
    return Rail(
        zero=place(0.0),
        place=place(centre),
        zone_from=None if zone is None else place(centre - zone),
        zone_width=None if zone is None else width(zone),
        sigma_from=None if sigma is None else place(centre - sigma),
        sigma_width=None if sigma is None else width(sigma),
    )


def _sweep(fit: CurveFit, number: int) -> dict[str, Any]:
    # The drawings load matplotlib: only someone who writes a page pays for it.
    from .figures import left_out_letters, sweep_svg

    left_out = [i for i, used in enumerate(fit.used) if not used]
    letters = left_out_letters(fit)
    return {
        "fit": fit,
        "tint": _tint(fit.curve.filter),
        "approach": APPROACH_WORDS[fit.curve.approach],
        "verdict": VERDICT_WORDS[fit.verdict],
        "bound": bound_sentence(fit),
        "start": time_text(start_mjd(fit)),
        "temperature": number_text(mean_temperature(fit), digits=3),
        "stars": stars_of(fit),
        "left_out": [
            (letter, fit.curve.names[i], fit.frame_reasons[i] or "not used")
            for letter, i in zip(letters, left_out, strict=True)
        ],
        "weighed_down": [
            (fit.curve.names[i], reason)
            for i, reason in enumerate(fit.frame_reasons)
            if reason and fit.used[i]
        ],
        "figure": Markup(sweep_svg(fit, curve_line(fit), name=f"sweep-{number}")),
    }


def _colour_figures(result: RunResult) -> list[tuple[str, Markup]]:
    """The same drawing for a wide and a narrow screen; the page shows one of them."""
    from .figures import colour_svg

    step = result.comparison.focuser.um_per_step
    um = step.value if step is not None and step.is_known else None
    drawn = []
    for kind, width in (("wide", 760), ("narrow", 380)):
        svg = colour_svg(
            result.comparison.colour, result.setup,
            um_per_step=um, name=f"colour-{kind}", width_px=width,
        )  # fmt: skip
        if svg:
            drawn.append((kind, Markup(svg)))
    return drawn


def _temperature_figure(result: RunResult) -> Markup | None:
    from .figures import temperature_svg

    svg = temperature_svg(result.curves.fits, result.comparison, name="temperature")
    return Markup(svg) if svg else None


def _tint(filter_name: str) -> str:
    from .figures import filter_colour_name

    return filter_colour_name(filter_name)
