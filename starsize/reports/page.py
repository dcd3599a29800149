"""The pages of a run, a night, the comparison of two runs: HTML files that need nothing else."""

import base64
import io
import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
from markupsafe import Markup
from PIL import Image

from .. import __version__
from ..comparison.compared import Comparison, LensReport
from ..comparison.sets import SetComparison
from ..curves import radius_at
from ..curves.fitted import CurveFit
from ..errors import printable
from ..night import NightResult
from ..setup import Setup
from ..tracking.filmstrip import Filmstrip
from ..tracking.measured import MeasuredSweep
from . import words
from .numbers import decimals_for, known, number_text, short_number, time_text
from .result import RunResult
from .tables import (
    file_entries,
    left_out_letters,
    mean_temperature,
    residuals,
    stars_of,
    start_mjd,
)  # fmt: skip

#: Hundredths of a step are the most that a page about focusers should spell out.
_STEP_DECIMALS: Final = 2
#: Larger pictures are drawn smaller by whole factors.
_LARGEST_PX: Final = 96
#: The brightest pixel over that where brightness begins to count by its logarithm.
_SOFT: Final = 50.0


def report_html(result: RunResult) -> str:
    """The whole report as one HTML page: styles and drawings inside, nothing fetched.

    The same run gives the same text; no date of writing, no path of the machine.
    """
    # The drawings load matplotlib: only someone who writes a page pays for it.
    from . import figures

    comparison, fits = result.comparison, result.curves.fits
    colour, field, lens = comparison.colour, comparison.field, comparison.colour.lens
    starts = [start for one in result.measured if (start := start_mjd(one)) is not None]
    step, both = comparison.focuser.um_per_step, figures.in_both_widths
    um = step.value if step is not None and step.is_known else None
    # Steps that move the camera out by 1 um, negative where it counts inward; 0: unknown.
    per_um = (1 if result.setup.focuser.outward == "increasing" else -1) / um if um else 0.0
    drawn = figures.sweep_svgs(fits, name="sweep")
    lens_figures = both(figures.lens_svg, lens, name="lens") if lens else []
    field_figures = []
    if field is not None and field.frame_px and per_um:
        sizes: Any = {"widths": (560, 360), "name": "field"}
        field_figures = both(figures.field_svg, field, steps_per_um=per_um, **sizes)
    view = {
        "result": result,
        "start": time_text(min(starts, default=None))[:16].replace("T", " "),
        "ruler": offsets_ruler(comparison, result.setup),
        "identity": identity(result),
        "notes": words.grouped_reasons(
            row
            for row in comparison.rows
            if row.status == "refused" or row.filter != comparison.reference
        ),
        "colour_figures": both(
            figures.colour_svg, colour, result.setup, um_per_step=um, name="colour"
        ),
        "um_per_step": um,
        "sweeps": [_sweep(*trio) for trio in zip(result.measured, fits, drawn, strict=True)],
        "lens_figures": lens_figures,
        "lens_curve": _lens_curve(lens) if lens else [],
        "corners": figures.CORNERS,
        "steps_per_um": per_um,
        "strips": strips_of(result),
        "overview": both(figures.overview_svg, fits, name="overview"),
        "temperature_figure": figures.temperature_svg(fits, comparison, name="temperature"),
        "field_figures": field_figures,
        "entries": file_entries(result),
    }
    return words.render("report.html", view)


def _sweep(measured: MeasuredSweep, fit: CurveFit, drawn: Markup) -> dict[str, Any]:
    """A sweep's drawing, when and how it was taken, and its frames."""
    curve, start, temperature = fit.curve, time_text(start_mjd(measured)), mean_temperature(fit)
    frames = {
        "name": curve.names,
        "position": curve.position_steps.tolist(),
        "hfr": curve.radius_px.tolist(),
        "sigma": curve.radius_sigma_px.tolist(),
        "fitted": radius_at(fit, curve.position_steps).tolist(),
        "residual": residuals(fit).tolist(),
        "used": fit.used.tolist(),
        "reason": fit.frame_reasons,
        "letter": left_out_letters(fit),
    }
    facts = [
        f"{start[11:16]} UTC" if start else "",
        words.macros("said.txt").approaches[curve.approach],
        "" if temperature is None else f"{temperature:.1f} °C",
        f"{stars_of(fit)} stars",
    ]
    return {
        "fit": fit,
        "figure": drawn,
        "facts": [fact for fact in facts if fact],
        "places": min(decimals_for(fit.best_sigma_steps) or 0, _STEP_DECIMALS),
        "frames": [
            dict(zip(frames, row, strict=True)) for row in zip(*frames.values(), strict=True)
        ],
    }


def strips_of(result: RunResult) -> list[dict[str, Any]]:
    """For each sweep that has one its star through the positions, in order of position."""
    rows = zip(result.measured, result.curves.fits, result.strips, strict=False)
    return [_strip(one, fit, film) for one, fit, film in rows if film is not None]


def _strip(one: MeasuredSweep, fit: CurveFit, film: Filmstrip) -> dict[str, Any]:
    ceiling = float(max((np.nanmax(p) for p in film.pictures if p is not None), default=1.0))
    position = np.array([known(f.facts.position_steps) or np.nan for f in one.frames])
    of_curve = iter(left_out_letters(fit))
    # A frame without a radius is no point of the curve.
    letters = [next(of_curve) if known(f.radius_px) is not None else "–" for f in one.frames]
    best = int(np.nanargmin(np.abs(position - fit.best_steps))) if fit.answered else -1
    stills = []
    for i in np.argsort(position, kind="stable"):
        picture = film.pictures[i]
        still = {
            "picture": "" if picture is None else _data_uri(picture, ceiling),
            "position": number_text(position[i], digits=9),
            "hfr": short_number(one.frames[i].radius_px),
            "is_best": i == best,
            "letter": letters[i],
        }
        stills.append(still)
    place = f"x {film.x_px:.0f}, y {film.y_px:.0f}"
    return {"sweep": fit.curve.id, "filter": fit.curve.filter, "place": place, "stills": stills}


def _data_uri(picture: np.ndarray, ceiling: float) -> str:
    """A small PNG, brightness by its inverse hyperbolic sine: core and ring both show."""
    factor = -(-picture.shape[0] // _LARGEST_PX)
    side = picture.shape[0] // factor * factor
    cells = picture[:side, :side].reshape(side // factor, factor, side // factor, factor)
    light = np.clip(np.nan_to_num(cells).mean(axis=(1, 3)) / ceiling, 0, 1)
    shade = np.arcsinh(_SOFT * light) / np.arcsinh(_SOFT)
    out = io.BytesIO()
    Image.fromarray(np.round(255 * shade).astype(np.uint8)).save(out, "PNG", optimize=True)
    return f"data:image/png;base64,{base64.b64encode(out.getvalue()).decode()}"


def _lens_curve(lens: LensReport) -> list[list[float]]:
    """The drawn curve in a few numbers: wavelength, shift and its uncertainty."""
    nm, step = lens.wavelength_nm, 50.0
    along = np.arange(np.ceil(nm[0] / step) * step, nm[-1] + 0.5, step)
    shift, sigma = (np.interp(along, nm, values) for values in (lens.shift_um, lens.sigma_um))
    return np.transpose([along, shift, sigma]).tolist()


def identity(result: RunResult) -> list[str]:
    """Telescope, camera, evening, folder and version, as far as they are known."""
    scope = result.setup.telescope
    focal, ratio = scope.focal_length_mm, scope.focal_ratio
    facts = [file.facts for file in result.files if file.usable and file.facts]
    times = [one.mid_time_mjd for one in facts if one.mid_time_mjd is not None]
    said = [f"{focal:g} mm" + (f" f/{ratio:.3g}" if ratio else "")] if focal else []
    said += sorted({one.camera for one in facts if one.camera})
    if times:
        dates = dict.fromkeys(time_text(time)[:10] for time in (min(times), max(times)))
        said.append(f"night of {' to '.join(dates)}")
    parents = [str(file.path.absolute().parent) for file in result.files]
    try:
        # The folder's own name, and no path of the machine.
        folder = printable(Path(os.path.commonpath(parents)).name)
    except ValueError:  # no files, or two drives
        folder = ""
    said += [f"folder {folder}"] if folder else []
    return [*said, f"starsize\N{NO-BREAK SPACE}{__version__}"]


class Ruler:
    """A rail that holds 0 and some stretches (centre, half of it), with a little room.

    With a ``sense`` of -1 it counts to the left.

    >>> Ruler([(0.0, 10.0)]).place(5.0), Ruler([(0.0, 10.0)]).bar(5.0, 1.0)
    (73.58, (68.87, 9.43))
    """

    def __init__(self, stretches: Iterable[tuple[float | None, float]], sense: int = 1) -> None:
        ends = [0.0]
        for centre, half in stretches:
            if (at := known(centre)) is not None:
                ends += [sense * at - half, sense * at + half]
        self._sense, self._length = sense, 1.06 * (max(ends) - min(ends)) or 1.0
        self._start = (min(ends) + max(ends) - self._length) / 2

    def place(self, value: float | None, *, less: float = 0.0) -> float | None:
        """Where a value lies, in per cent of the rail; None where it is not known."""
        at = known(value)
        if at is None:
            return None
        return round(100 * (self._sense * at - less - self._start) / self._length, 2)

    def bar(self, centre: float | None, half: float | None) -> tuple[float, float] | None:
        """Where a stretch to both sides of a place begins, and how wide it is; None without it."""
        reach = known(half)
        begin = self.place(centre, less=reach or 0.0)
        if begin is None or reach is None:
            return None
        return begin, round(100 * 2 * reach / self._length, 2)


def offsets_ruler(comparison: Comparison, setup: Setup) -> Ruler:
    """One for all filters, their zones and the best common position, outward to the right."""
    serve = words.from_reference(comparison.colour.compromise_steps, comparison)
    rows = [
        (row.offset_steps, max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0))
        for row in comparison.rows
    ]
    return Ruler([(serve, 0.0), *rows], 1 if setup.focuser.outward == "increasing" else -1)


def comparison_html(comparison: SetComparison) -> str:
    """The comparison as one HTML page: styles inside, nothing fetched."""
    # The offsets of both runs, with the zones about the new ones.
    old = [(row.old_offset_steps, 0.0) for row in comparison.rows]
    new = [(row.new_offset_steps, known(row.zone_steps) or 0.0) for row in comparison.rows]
    view = {"comparison": comparison, "ruler": Ruler([*old, *new])}
    return words.render("comparison.html", view)


def night_html(result: NightResult) -> str:
    """The night as one HTML page: styles and drawings inside, nothing fetched."""
    from .figures import in_both_widths
    from .figures.night import filter_sign, night_svg

    view = {
        "result": result,
        "night": words.macros("night_said.txt"),
        "strips": in_both_widths(night_svg, result, name="night", widths=(980, 430)),
        "signs": {one.filter: filter_sign(one.filter) for one in result.exposures},
    }
    return words.render("night.html", view)
