"""``result.json``: everything a run found, as plain data with a versioned schema.

Every estimate is ``{"value", "sigma"}`` with its unit in the key's name; a number that is not known
is null. ``schema.json`` beside this module is the JSON Schema of the document, and says what of
each thing is written.
"""

import dataclasses
import json
import math
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np

from ..comparison.compared import ColourReport
from ..curves.fitted import CurveFit
from ..estimate import Estimate
from ..frames.frame import FrameFacts
from ..tracking.measured import FrameRadius, MeasuredSweep
from .folder import RESULT_FILES
from .numbers import time_text
from .result import RunResult
from .tables import FileEntry, file_entries, own_fields, shown_names, stars_of, start_mjd
from .words import open_questions

#: The points of a curve: key in the document, field of ``FocusCurve``.
POINTS: Final = {
    "file": "names", "position_steps": "position_steps", "hfr_px": "radius_px",
    "hfr_sigma_px": "radius_sigma_px", "stars": "n_stars", "temperature_degC": "temperature_degC",
    "time_mjd": "time_mjd",
}  # fmt: skip

Document = dict[str, Any]


class Joined:
    """The attributes of several things as those of one, and some more."""

    def __init__(self, *things: object, **more: Any) -> None:
        self.__dict__ |= more
        self._things = things

    def __getattr__(self, name: str) -> Any:
        for thing in self._things:
            if hasattr(thing, name):
                return getattr(thing, name)
        raise AttributeError(name)


def plain(value: Any, schema: Mapping[str, Any] | None = None) -> Any:
    """What JSON can hold of a value: None for no finite number, 12 significant digits of others.

    Of a dataclass (or ``Joined``) that which the schema names, all fields without one.

    >>> plain({"a": (1, float("nan")), "b": Estimate(2.0)})
    {'a': [1, None], 'b': {'value': 2.0, 'sigma': None}}
    """
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, float):
        # The same run gives the same text everywhere.
        return float(f"{value:.12g}") if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    schema = schema or {}
    schema = schema.get("anyOf", (schema,))[0]
    inside, others = schema.get("properties", {}), schema.get("additionalProperties")
    if isinstance(value, Mapping):
        rest = others if isinstance(others, dict) else None
        return {str(key): plain(item, inside.get(key, rest)) for key, item in value.items()}
    if isinstance(value, Joined) or dataclasses.is_dataclass(value):
        names = inside or value.__dataclass_fields__
        return {name: plain(getattr(value, name), inside.get(name)) for name in names}
    return [plain(item, schema.get("items")) for item in value]


def stated(tables: Any) -> Any:
    """Nested tables without what is not stated."""
    if not isinstance(tables, dict):
        return list(tables) if isinstance(tables, tuple) else tables
    return {key: stated(value) for key, value in tables.items() if value is not None}


@cache
def schema_of(name: str) -> Document:
    """One of the JSON Schemas beside this module."""
    return json.loads(files("starsize.reports").joinpath(name).read_text("utf-8"))


def result_document(result: RunResult) -> Document:
    """A whole ``result`` as plain data: only dicts, lists, strings, numbers, booleans and None.

    Returns
    -------
    dict
        Keys ``schema``, ``setup``, ``frames``, ``sweeps``, ``curves``, ``offsets`` (the rows of
        offsets.csv), ``offset_covariance``, ``colour``, ``temperature``, ``focuser``, ``field``,
        ``warnings``; null with a warning where there is no answer.

    Examples
    --------
    >>> from starsize import load_result
    >>> result_document(load_result("my-results"))["colour"]["verdict"]  # doctest: +SKIP
    'together'
    """
    comparison, curves, setup = result.comparison, result.curves, plain(result.setup)
    setup["telescope"]["focal_ratio"] = result.setup.telescope.focal_ratio
    names = shown_names(item.path for item in result.files)
    field = comparison.field
    notices = [*result.notices, *(question.notice for question in open_questions(result))]
    view = {
        "schema": RESULT_FILES.schema,
        "setup": setup,
        "frames": [_file(entry) for entry in file_entries(result)],
        "sweeps": [
            Joined(sweep, frames=[names.get(facts.path, facts.path.name) for facts in sweep.frames])
            for sweep in result.sweeps
        ],
        "curves": {
            "fits": [_fit(*pair) for pair in zip(result.measured, curves.fits, strict=True)],
            "slope_px_per_step": curves.slope_px_per_step,
            "best_focus_covariance": {
                "sweeps": [fit.curve.id for fit in curves.answered],
                "matrix_steps2": curves.covariance_steps2,
            },
        },
        "offsets": comparison.rows,
        "offset_covariance": {
            "filters": comparison.filters,
            "matrix_steps2": comparison.covariance_steps2,
            "half95_steps": comparison.half95_steps,
        },
        "colour": _colour(comparison.colour),
        "temperature": comparison.temperature,
        "focuser": Joined(comparison.focuser, birge_ratio=comparison.birge_ratio),
        "field": field and Joined(field, tilt_um={"x": field.tilt_x_um, "y": field.tilt_y_um}),
        "warnings": list(dict.fromkeys(notices)),
    }
    return plain(view, schema_of("schema.json"))


def measurement_document(frame: FrameRadius) -> Document:
    """One measured frame as plain data; ``channel`` is empty, or R, G or B of a colour camera."""
    facts = own_fields(frame.facts, "filter", "position_steps", "temperature_degC")
    seen = own_fields(frame, "set_aside", "background_adu", "background_rms_adu", "elongation")
    told = own_fields(frame, "reason", "channel")
    return plain({"file": frame.facts.path.name, **facts, **_radius(frame), **seen, **told})


def _radius(frame: FrameRadius) -> Document:
    return {
        "hfr_px": Estimate(frame.radius_px, frame.radius_sigma_px),
        "radius80_px": Estimate(frame.radius80_px, frame.radius80_sigma_px),
        "stars": frame.n_stars,
        "stars_found": frame.n_found,
    }


def _file(entry: FileEntry) -> Joined:
    facts = None
    if entry.facts is not None:
        named = (name for name in FrameFacts.__dataclass_fields__ if name != "path")
        facts = own_fields(entry.facts, *named)
        facts["mid_time_utc"] = time_text(entry.facts.mid_time_mjd) or None
    readings = [Joined(one, one.frame, **_radius(one.frame)) for one in entry.readings]
    return Joined(entry, facts=facts, readings=readings)


def _fit(measured: MeasuredSweep, fit: CurveFit) -> Joined:
    points = {key: getattr(fit.curve, name) for key, name in POINTS.items()}
    return Joined(
        fit, measured, fit.curve,
        sweep=measured.sweep.id,
        start_utc=time_text(start_mjd(measured)) or None,
        stars=stars_of(fit),
        model=fit.model if fit.answered else None,
        best_focus_steps=Estimate(fit.best_steps, fit.best_sigma_steps),
        points={**points, "used": fit.used, "reason": fit.frame_reasons},
    )  # fmt: skip


def _colour(colour: ColourReport) -> Joined:
    curve = ("wavelength_nm", "shift_steps", "sigma_steps")
    return Joined(
        colour,
        groups=[{"filters": name, "verdict": word} for name, word in colour.groups],
        curve={name: getattr(colour, f"curve_{name}") for name in curve},
        without={"filters": colour.without, "common_steps": colour.without_steps},
    )
