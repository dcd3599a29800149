"""The pages of a run and of the comparison of two: one HTML file each that needs nothing else."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from .. import __version__
from ..comparison.sets.compared import SetComparison, SetRow
from ..curves import radius_at
from ..curves.fitted import CurveFit
from ..curves.residuals import residual_sigmas
from ..errors import printable
from ..estimate import NOT_KNOWN, Estimate
from ..tracking.measured import MeasuredSweep
from . import sentences
from .numbers import (
    MJD_ZERO,
    decimals_for,
    estimate_text,
    known,
    micrometres,
    move_number,
    number_text,
    short_number,
    signed_text,
    time_text,
)
from .optics_view import field_view, lens_view
from .rail import Ruler, offset_rows
from .result import RunResult
from .sentences import sentence
from .strips import strips_of
from .tables import FileEntry, file_entries, left_out_letters, mean_temperature, stars_of, start_mjd
from .tints import filter_tint
from .unanswered import open_questions, play_seen

#: Hundredths of a step are the most that a page about focusers should spell out.
_STEP_DECIMALS = 2
_ZONE_WORDS = {
    "together": "inside its zone",
    "apart": "outside its zone",
    "cannot tell": "cannot tell",
    None: "",
}


def report_html(result: RunResult) -> str:
    """The whole report as one HTML page: styles and drawings inside, nothing fetched.

    The same run gives the same text; no date of writing, no path of the machine.
    """
    return render("report.html", page_view(result))


def render(template: str, view: dict[str, Any]) -> str:
    """Fill a template of ours; whatever is not ours is escaped."""
    environment = Environment(
        loader=PackageLoader("starsize.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "estimate": estimate_text,
        "glass": sentences.glass_text,
        "micrometres": micrometres,
        "move": move_number,
        "number": number_text,
        # No line ends between a number and its per cent sign.
        "sentence": lambda text: sentence(text).replace(" %", "\N{NO-BREAK SPACE}%"),
        "short": short_number,
        "slip": sentences.slip_sentence,
        "tint": filter_tint,
    }
    environment.globals |= {"known": known, "words": sentences}
    style = environment.loader.get_source(environment, "style.css")[0]  # type: ignore[union-attr]
    return environment.get_template(template).render(style=Markup(style), **view)


def page_view(result: RunResult) -> dict[str, Any]:
    """Everything the template needs, as plain values."""
    # The drawings load matplotlib: only someone who writes a page pays for it.
    from .figures import colour_svg, in_both_widths, overview_svg, sweep_svgs, temperature_svg

    comparison, entries = result.comparison, file_entries(result)
    step = comparison.focuser.um_per_step
    um = step.value if step is not None and step.is_known else None
    warm = temperature_svg(result.curves.fits, comparison, name="temperature")
    drawn = sweep_svgs(result.curves.fits, name="sweep")
    pairs = zip(result.measured, result.curves.fits, drawn, strict=True)
    return {
        "result": result,
        "comparison": comparison,
        "colour": comparison.colour,
        "facts": _facts(result, entries),
        "rows": offset_rows(result),
        "identity": identity(result),
        "play": play_seen(result),
        "notes": sentences.grouped_reasons(
            row
            for row in comparison.rows
            if row.status == "refused" or row.filter != comparison.reference
        ),
        "zones_known": any(known(row.zone_steps) is not None for row in comparison.rows),
        "colour_figures": in_both_widths(
            colour_svg, comparison.colour, result.setup, um_per_step=um, name="colour"
        ),
        "um_per_step": um,
        "sweeps": [_sweep(*pair) for pair in pairs],
        "lens": lens_view(result),
        "strips": strips_of(result),
        "overview": in_both_widths(overview_svg, result.curves.fits, name="overview"),
        "temperature_figure": Markup(warm) if warm else None,
        "field": field_view(result),
        "notices": list(dict.fromkeys(result.notices)),
        "questions": open_questions(result),
        "entries": entries,
        "models": sorted({sentences.MODEL_WORDS[fit.model] for fit in result.curves.answered}),
    }  # fmt: skip


def _facts(result: RunResult, entries: tuple[FileEntry, ...]) -> list[str]:
    starts = [start for one in result.measured if (start := start_mjd(one)) is not None]
    used = sum(entry.used for entry in entries)
    facts = [
        f"{used} of {len(entries)} files used",
        f"{len(result.sweeps)} sweep{'' if len(result.sweeps) == 1 else 's'}",
    ]
    if starts:
        facts.insert(0, time_text(min(starts))[:16].replace("T", " ") + " UTC")
    return facts


def _sweep(measured: MeasuredSweep, fit: CurveFit, drawn: str) -> dict[str, Any]:
    best = Estimate(fit.best_steps, fit.best_sigma_steps)
    return {
        "fit": fit,
        "facts": _sweep_facts(measured, fit),
        "verdict": sentences.VERDICT_WORDS[fit.verdict],
        "best": estimate_text(best, most_decimals=_STEP_DECIMALS),
        "details": _sweep_details(fit),
        "bound": sentences.bound_sentence(fit),
        "left_out": [
            (letter, fit.curve.names[i], fit.frame_reasons[i] or "not used")
            for i, letter in enumerate(left_out_letters(fit))
            if letter
        ],
        "weighed_down": [
            (fit.curve.names[i], reason)
            for i, reason in enumerate(fit.frame_reasons)
            if reason and fit.used[i]
        ],
        "numbers": _numbers(fit),
        "figure": Markup(drawn),
    }


def _numbers(fit: CurveFit) -> list[tuple[str, ...]]:
    """What the drawing shows, frame by frame in order of position."""
    curve = fit.curve
    fitted, left = radius_at(fit, curve.position_steps), residual_sigmas(fit)
    marks = [letter and f"✕ {letter}" for letter in left_out_letters(fit)]
    return [
        (
            number_text(curve.position_steps[i], digits=9),
            estimate_text(Estimate(curve.radius_px[i], curve.radius_sigma_px[i])),
            number_text(fitted[i], sigma=curve.radius_sigma_px[i]),
            f"{left[i]:+.1f}" if known(left[i]) is not None else "",
            marks[i],
        )
        for i in np.argsort(curve.position_steps, kind="stable")
    ]


def _sweep_facts(measured: MeasuredSweep, fit: CurveFit) -> list[str]:
    """When and how a sweep was taken."""
    facts = [sentences.APPROACH_WORDS[fit.curve.approach]]
    start, temperature = time_text(start_mjd(measured)), mean_temperature(fit)
    if start:
        facts.insert(0, f"{start[11:16]} UTC")
    if temperature is not None:
        facts.append(f"{temperature:.1f} °C")
    return [*facts, f"{stars_of(fit)} stars"]


def _sweep_details(fit: CurveFit) -> list[tuple[str, str]]:
    """What the curve says beside best focus: label and text."""
    places = min(decimals_for(fit.best_sigma_steps) or 0, _STEP_DECIMALS)
    low, high = (known(end) for end in fit.interval95_steps)
    details = []
    if low is not None and high is not None:
        details.append(("95 % interval", f"{low:.{places}f} to {high:.{places}f}"))
    details.append(("smallest HFR", f"{estimate_text(fit.floor_px)} px"))
    wing_centre = fit.wing_centre_steps if fit.verdict == "asymmetric" else NOT_KNOWN
    for label, estimate in (
        ("hyperbola", fit.hyperbola_steps),
        ("two wings meet", fit.v_steps),
        ("middle of wings", wing_centre),
    ):
        if estimate.is_known:
            details.append((label, estimate_text(estimate, most_decimals=_STEP_DECIMALS)))
    if known(fit.jitter) is not None:
        details.append(("seeing scatter", f"{100 * fit.jitter:.2g} %"))
    if known(fit.chi2_reduced) is not None:
        details.append(("reduced χ²", f"{fit.chi2_reduced:.2f}"))
    return details


def identity(result: RunResult) -> list[str]:
    """Telescope, camera, evening, folder and version, as far as they are known."""
    scope = result.setup.telescope
    focal, ratio = scope.focal_length_mm, scope.focal_ratio
    facts = [file.facts for file in result.files if file.usable and file.facts]
    cameras = sorted({one.camera for one in facts if one.camera})
    optics = [f"{focal:g} mm" + (f" f/{ratio:.3g}" if ratio else "")] if focal else []
    return [
        *optics,
        *cameras,
        *_evening([one.mid_time_mjd for one in facts if one.mid_time_mjd is not None]),
        *_folder(result),
        f"starsize {__version__}",
    ]


def _evening(times: list[float]) -> list[str]:
    """The evening before and the morning after, in UTC."""
    if not times:
        return []
    first, last = (MJD_ZERO + timedelta(days=day) for day in (min(times), max(times)))
    dates = list(dict.fromkeys(f"{day:%Y-%m-%d}" for day in (first, last)))
    return ["night of " + " to ".join(dates)]


def _folder(result: RunResult) -> list[str]:
    """The folder's own name, and no path of the machine."""
    parents = [str(file.path.absolute().parent) for file in result.files]
    try:
        name = Path(os.path.commonpath(parents)).name
    except ValueError:  # no files, or two drives
        return []
    return [f"folder {printable(name)}"] if name else []


def comparison_html(comparison: SetComparison) -> str:
    """The comparison as one HTML page: styles inside, nothing fetched."""
    rows = [
        {"row": row, "places": at, "change": change_text(row), "zone": _ZONE_WORDS[row.parfocal]}
        for row, at in zip(comparison.rows, _set_rails(comparison), strict=True)
    ]
    view = {"comparison": comparison, "headline": set_headline(comparison), "rows": rows}
    return render("comparison.html", view)


def set_headline(comparison: SetComparison) -> str:
    """The verdict on the set in one line."""
    if comparison.verdict == "unchanged":
        return "No filter changed focus."
    if comparison.verdict == "cannot tell":
        return "These runs cannot tell whether a filter changed focus."
    changed = sum(row.change == "changed" for row in comparison.rows)
    both = sum(
        row.old_offset_steps is not None and row.new_offset_steps is not None
        for row in comparison.rows
    )
    return f"{changed} of {both} filters changed focus."


def change_text(row: SetRow) -> str:
    """The change of one filter in steps with its uncertainty; empty where unknown.

    Empty for the reference too, which cannot change against itself.
    """
    if row.filter == row.reference:
        return ""
    return signed_text(row.change_steps, row.change_sigma_steps)


def _set_rails(comparison: SetComparison) -> list[dict[str, float]]:
    """Places of all filters on one rail, in per cent of its length."""
    shown = [
        (known(row.old_offset_steps), known(row.new_offset_steps), known(row.zone_steps))
        for row in comparison.rows
    ]
    ends = [0.0]
    for old, new, zone in shown:
        ends += [] if old is None else [old]
        ends += [] if new is None else [new - (zone or 0.0), new + (zone or 0.0)]
    ruler, rails = Ruler.over(ends), []
    for old, new, zone in shown:
        rails.append(ruler.marks(zero=0.0, old=old, new=new) | ruler.bar("zone", new, zone))
        if old is not None and new is not None:
            at = sorted((rails[-1]["old"], rails[-1]["new"]))
            rails[-1] |= {"jump_from": at[0], "jump_width": round(at[1] - at[0], 2)}
    return rails
