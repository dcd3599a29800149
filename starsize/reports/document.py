"""``result.json``: everything a run found, as plain data with a versioned schema.

Every estimate is ``{"value", "sigma"}`` with its unit in the key's name; a number that is not known
is null. ``schema.json`` beside this module is the JSON Schema of the document.
"""

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np

from ..comparison.compared import ColourReport, FieldReport
from ..curves.fitted import CurveFit
from ..estimate import Estimate
from ..tracking.measured import FrameRadius, MeasuredSweep
from .folder import RESULT_FILES
from .numbers import known, time_text
from .result import RunResult
from .tables import FileEntry, file_entries, own_fields, shown_names, stars_of, start_mjd
from .told import open_questions

#: The points of a curve: key in the document, field of ``FocusCurve``.
POINTS: Final = {
    "file": "names", "position_steps": "position_steps", "hfr_px": "radius_px",
    "hfr_sigma_px": "radius_sigma_px", "stars": "n_stars", "temperature_degC": "temperature_degC",
    "time_mjd": "time_mjd",
}  # fmt: skip

Document = dict[str, Any]


def result_document(result: RunResult) -> Document:
    """A whole ``result`` as plain data: only dicts, lists, strings, numbers, booleans and None.

    Returns
    -------
    dict
        Keys ``schema``, ``setup``, ``frames``, ``sweeps``, ``curves``, ``offsets`` (the rows of
        offsets.csv), ``offset_covariance``, ``colour``, ``temperature``, ``focuser``, ``field``,
        ``warnings``; null with a warning where there is no answer. Floats
        carry 12 significant digits, so that the same run gives the same text everywhere.

    Examples
    --------
    >>> from starsize import load_result
    >>> result_document(load_result("my-results"))["colour"]["verdict"]  # doctest: +SKIP
    'together'
    """
    comparison, curves = result.comparison, result.curves
    setup = plain(result.setup)
    setup["telescope"]["focal_ratio"] = plain(result.setup.telescope.focal_ratio)
    notices = [*result.notices, *(question.notice for question in open_questions(result))]
    return {
        "schema": RESULT_FILES.schema,
        "setup": setup,
        "frames": [_file(entry) for entry in file_entries(result)],
        "sweeps": _sweeps(result),
        "curves": {
            "fits": [_fit(*pair) for pair in zip(result.measured, curves.fits, strict=True)],
            "slope_px_per_step": plain(curves.slope_px_per_step),
            "best_focus_covariance": {
                "sweeps": [fit.curve.id for fit in curves.answered],
                "matrix_steps2": plain(curves.covariance_steps2),
            },
        },
        "offsets": plain(comparison.rows),
        "offset_covariance": {
            "filters": list(comparison.filters),
            "matrix_steps2": plain(comparison.covariance_steps2),
            "half95_steps": plain(comparison.half95_steps),
        },
        "colour": _colour(comparison.colour),
        "temperature": plain(comparison.temperature),
        "focuser": plain(comparison.focuser) | {"birge_ratio": plain(comparison.birge_ratio)},
        "field": _field(comparison.field),
        "warnings": [plain(notice) for notice in dict.fromkeys(notices)],
    }


def measurement_document(frame: FrameRadius) -> Document:
    """One measured frame as plain data; ``channel`` is empty, or R, G or B of a colour camera."""
    facts = own_fields(frame.facts, "filter", "position_steps", "temperature_degC")
    own = {"file": frame.facts.path.name, **facts, **_radius(frame)}
    return plain({**own, **own_fields(frame, "reason", "channel")})


def plain(value: Any) -> Any:
    """What JSON can hold of a value: fields of a dataclass by name, None for no finite number.

    >>> plain({"a": (1, float("nan")), "b": Estimate(2.0)})
    {'a': [1, None], 'b': {'value': 2.0, 'sigma': None}}
    """
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, float):
        finite = known(value)
        return None if finite is None else float(f"{finite:.12g}")
    if isinstance(value, Iterable) and not isinstance(value, str):
        return [plain(item) for item in value]
    return value


def _file(entry: FileEntry) -> Document:
    facts: Document | None = None
    if entry.facts:
        facts = plain(entry.facts)
        del facts["path"]
        facts["mid_time_utc"] = time_text(entry.facts.mid_time_mjd) or None
    readings = [
        {
            **own_fields(reading, "sweep", "filter"),
            **_radius(reading.frame),
            **own_fields(reading, "used", "reason"),
            **own_fields(reading.frame, "slopes", "slopes_sigma"),
        }
        for reading in entry.readings
    ]
    return {
        **own_fields(entry, "file", "used", "reason"),
        "facts": facts,
        "readings": plain(readings),
    }


def _radius(frame: FrameRadius) -> Document:
    return {
        "hfr_px": Estimate(frame.radius_px, frame.radius_sigma_px),
        "radius80_px": Estimate(frame.radius80_px, frame.radius80_sigma_px),
        "stars": frame.n_stars,
        "stars_found": frame.n_found,
        **own_fields(frame, "set_aside", "background_adu", "background_rms_adu", "elongation"),
    }


def _sweeps(result: RunResult) -> list[Document]:
    names = shown_names(item.path for item in result.files)
    return [
        {
            **own_fields(sweep, "id", "filter", "approach", "timed"),
            "frames": [names.get(facts.path, facts.path.name) for facts in sweep.frames],
        }
        for sweep in result.sweeps
    ]


def _fit(measured: MeasuredSweep, fit: CurveFit) -> Document:
    curve = fit.curve
    points = {key: getattr(curve, name) for key, name in POINTS.items()}
    document = {
        "id": measured.id,
        "sweep": measured.sweep.id,
        "filter": measured.filter,
        "approach": curve.approach,
        "start_utc": time_text(start_mjd(measured)) or None,
        "stars": stars_of(fit),
        **own_fields(fit, "verdict", "answered", "reason"),
        "model": fit.model if fit.answered else None,
        "best_focus_steps": Estimate(fit.best_steps, fit.best_sigma_steps),
        **own_fields(
            fit, "dof", "interval68_steps", "interval95_steps", "bound_steps", "floor_px",
            "slope_px_per_step", "jitter", "chi2_reduced", "wing_centre_steps", "hyperbola_steps",
            "v_steps", "play_steps", "shape",
        ),
        "points": {**points, "used": fit.used, "reason": fit.frame_reasons},
    }  # fmt: skip
    return plain(document)


def _colour(colour: ColourReport) -> Document:
    curve = ("wavelength_nm", "shift_steps", "sigma_steps")
    document = {
        **own_fields(
            colour, "verdict", "reason", "cause", "cause_reason", "odd_filters", "compromise_steps",
            "secondary_spectrum",
        ),
        "groups": [{"filters": name, "verdict": word} for name, word in colour.groups],
        "points": colour.points,
        "curve": {name: getattr(colour, f"curve_{name}") for name in curve},
        "without": {"filters": colour.without, "common_steps": colour.without_steps},
        "lens": colour.lens,
    }  # fmt: skip
    return plain(document)


def _field(field: FieldReport | None) -> Document | None:
    if field is None:
        return None
    own = own_fields(
        field, "tilt_arcmin", "curvature_um", "significant", "corners_um", "changes_with_filter",
        "stars", "centre_steps", "tilt_significant", "towards_telescope", "zone_um",
        "corners_zones", "frame_px",
    )  # fmt: skip
    return plain({"tilt_um": {"x": field.tilt_x_um, "y": field.tilt_y_um}, **own})
