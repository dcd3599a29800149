"""A stored run read again: its offsets, and its sweeps for the adjustment of another night."""

import dataclasses
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
from scipy.linalg import block_diag

from ..comparison.field import at_centre
from ..comparison.sets import MeasuredSet
from ..curves.curve import FocusCurve
from ..curves.fitted import CurveFit, CurveSet, ModelName
from ..curves.prediction import STAR
from ..errors import InputError
from ..estimate import NOT_KNOWN, Estimate
from ..frames.frame import FrameFacts, InputFile, Sweep
from ..frames.setup_file import setup_from_tables
from ..setup import Setup
from ..tracking.measured import FrameRadius, MeasuredSweep, StarTracks
from .document import POINTS
from .folder import RESULT_FILES

#: Between the folder's name and the sweep's own id.
SEPARATOR = ":"
_STEPS_AGREE = 0.05


def load_measured_set(path: Path | str) -> MeasuredSet:
    """Read the offsets of a stored run.

    Parameters
    ----------
    path : Path or str
        A result folder, or the result.json in it.

    Returns
    -------
    MeasuredSet

    Raises
    ------
    InputError
        If there is no result.json, it is not one of ours, or it is damaged.

    Examples
    --------
    >>> load_measured_set("my-results").filters  # doctest: +SKIP
    ('L', 'R', 'G', 'B')
    """
    with _document_of(path) as (document, home):
        return set_of_document(document, name=home.name)


@contextmanager
def _document_of(path: Path | str) -> Iterator[tuple[Mapping[str, Any], Path]]:
    """The JSON of a stored run, and its folder; ``InputError`` if what is built of it fails too."""
    file = Path(path) / "result.json" if Path(path).is_dir() else Path(path)
    if not file.is_file():
        raise InputError(f"there is no {file}; give a folder that 'starsize offsets' wrote")
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        schema = document["schema"]
        ours, version = schema["name"] == RESULT_FILES.schema["name"], int(schema["version"])
    except OSError as error:
        raise InputError(f"cannot read {file}: {(error.strerror or str(error)).lower()}") from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        msg = f"{file} is not a result of starsize; give a folder that 'starsize offsets' wrote"
        raise InputError(msg) from error
    if not ours:
        raise InputError(f"{file} is not a result of 'starsize offsets' but {schema['name']!r}")
    if version > RESULT_FILES.schema["version"]:
        msg = f"{file} was written by a newer starsize (schema {version}); update starsize"
        raise InputError(msg)
    try:
        yield document, file.absolute().parent
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        msg = f"{file} is damaged ({error!r}); run 'starsize offsets' again to write it anew"
        raise InputError(msg) from error


def fields_of(kind: type, stored: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of a dataclass that a document, of whatever version, holds under their names."""
    types = {field.name: field.type for field in dataclasses.fields(kind)}
    return {name: _value(types[name], value) for name, value in stored.items() if name in types}


def _value(kind: Any, stored: Any) -> Any:
    """A stored value; numbers that are null are NaN."""
    if kind is Estimate:
        return estimate(stored)
    if kind is float:
        return math.nan if stored is None else float(stored)
    return tuple(_value(float, one) for one in stored) if isinstance(stored, list) else stored


def estimate(stored: Mapping[str, float | None] | None) -> Estimate:
    """A stored value with its uncertainty."""
    return NOT_KNOWN if stored is None else Estimate(**fields_of(Estimate, stored))


def set_of_document(document: Mapping[str, Any], *, name: str) -> MeasuredSet:
    """The offsets of a run as its ``result.json`` holds them."""
    table, focuser = document["offset_covariance"], document["focuser"]
    filters, rows = tuple(table["filters"]), {row["filter"]: row for row in document["offsets"]}
    size, scatter = (estimate(focuser.get(k)) for k in ("um_per_step", "repeatability_steps"))
    own = [rows[f].get("sigma_frames_steps") for f in filters]
    found = MeasuredSet(
        name=name,
        filters=filters,
        offset_steps=np.array([rows[f]["offset_steps"] for f in filters], float),
        covariance_steps2=np.reshape(np.array(table["matrix_steps2"], float), (len(filters),) * 2),
        half95_steps=tuple(map(float, table.get("half95_steps") or ())),
        refused={f: r["reason"] for f, r in rows.items() if r["status"] == "refused"},
        zone_steps={f: float(z) for f, r in rows.items() if (z := r["zone_steps"]) is not None},
        um_per_step=size if size.is_known else None,
        outward=document["setup"]["focuser"]["outward"],
        frames_sigma_steps=() if None in own else tuple(map(float, own)),
        sweeps=tuple(rows[f]["sweeps"] for f in filters),
        repeatability_steps=scatter if scatter.is_known else None,
    )
    if not (np.isfinite(found.offset_steps).all() and np.isfinite(found.covariance_steps2).all()):
        raise ValueError("a number is missing")
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredRun:
    """What a stored run holds; the ids begin with the folder's name."""

    name: str
    setup: Setup
    reference: str | None
    um_per_step: float | None
    files: tuple[InputFile, ...]
    sweeps: tuple[Sweep, ...]
    measured: tuple[MeasuredSweep, ...]
    curves: CurveSet


def is_result(path: Path | str) -> bool:
    """True for a folder that holds a ``result.json``, and for that file."""
    given = Path(path)
    return given.name == "result.json" or (given / "result.json").is_file()


def load_run(path: Path | str) -> StoredRun:
    """Read a result folder for another comparison; see ``load_measured_set`` for what it raises."""
    with _document_of(path) as (document, home):
        return _run(document, home)


def opened(path: Path | str | StoredRun) -> Path | StoredRun:
    """The stored run of a folder of results; the path of anything else."""
    if isinstance(path, StoredRun):
        return path
    return load_run(path) if is_result(path) else Path(path)


def joined_curves(first: CurveSet, others: Sequence[CurveSet]) -> CurveSet:
    """The fits of several nights; those of different runs do not hang together."""
    sets = [first, *others]
    blocks = [np.reshape(s.covariance_steps2, (len(s.answered),) * 2) for s in sets]
    slopes = [s.slope_px_per_step for s in sets if s.slope_px_per_step.is_known]
    return dataclasses.replace(
        first,
        fits=tuple(fit for one in sets for fit in one.fits),
        covariance_steps2=block_diag(*blocks),
        slope_px_per_step=slopes[0] if slopes else NOT_KNOWN,
    )


def check_same_focuser(
    runs: Iterable[StoredRun], *, um_per_step: float | None, outward: str
) -> None:
    """``InputError`` if a run counts the other way round or in steps of another size."""
    for run in runs:
        way = run.setup.focuser.outward
        if way != outward:
            raise InputError(f"{run.name}: its steps count the other way (outward = {way!r})")
        ratio = run.um_per_step / um_per_step if run.um_per_step and um_per_step else 1.0
        if abs(ratio - 1) > _STEPS_AGREE:
            raise InputError(
                f"{run.name}: its step is {run.um_per_step:.3g} um, here it is "
                f"{um_per_step:.3g}; only nights with one and the same focuser go together"
            )


def _run(document: Mapping[str, Any], folder: Path) -> StoredRun:
    name, frames = folder.name, document["frames"]
    files = {one["file"]: _file(one, folder) for one in frames}
    readings = {(one["file"], r["sweep"]): r for one in frames for r in one["readings"]}
    taken = {one["id"]: one["frames"] for one in document["sweeps"]}
    sweeps = {one["id"]: _sweep(one, files, name) for one in document["sweeps"]}
    setup, size = _setup(document["setup"]), document["focuser"]["um_per_step"]
    field, stored = document["field"] or {"significant": False}, document["curves"]
    centre = field["centre_steps"].items() if field["significant"] else ()
    curves = CurveSet(
        fits=tuple(_fit(fit, name) for fit in stored["fits"]),
        covariance_steps2=np.array(stored["best_focus_covariance"]["matrix_steps2"], float),
        slope_px_per_step=estimate(stored["slope_px_per_step"]),
    )
    measured = []
    for fit in stored["fits"]:
        mine = [readings.get((file, fit["id"])) for file in taken[fit["sweep"]]]
        measured.append(_measured(fit, sweeps[fit["sweep"]], mine, name))
    return StoredRun(
        name=name,
        setup=setup,
        reference=next(iter(document["offset_covariance"]["filters"]), None),
        um_per_step=size["value"] if size else setup.focuser.um_per_step,
        files=tuple(files.values()),
        sweeps=tuple(sweeps.values()),
        measured=tuple(measured),
        # The tracks of the stars are not stored, what they said of the centre is.
        curves=at_centre(curves, {_id(k, name): estimate(v) for k, v in centre}),
    )


def _setup(stored: Mapping[str, Any]) -> Setup:
    """The setup of that run, as its file would state it."""

    def stated(table: Mapping[str, Any]) -> dict[str, Any]:
        return {key: v for key, v in table.items() if v is not None and key != "focal_ratio"}

    tables = {name: stated(stored[name]) for name in ("telescope", "focuser", "camera", "headers")}
    filters = {name: stated(glass) for name, glass in stored["filters"].items()}
    return setup_from_tables({**tables, "filters": filters})


def _id(stored: str, name: str) -> str:
    """A run that was joined before keeps the names it gave then."""
    return stored if SEPARATOR in stored else f"{name}{SEPARATOR}{stored}"


def _file(stored: Mapping[str, Any], folder: Path) -> InputFile:
    path, facts = folder / stored["file"], stored["facts"]
    if facts is None:
        return InputFile(path, None, stored["reason"] or "not read")
    values = {key: v for key, v in facts.items() if key in FrameFacts.__slots__}
    values["shape"] = tuple(values.get("shape") or (0, 0))
    reason = None if stored["readings"] else stored["reason"]
    return InputFile(path, FrameFacts(path=path, **values), reason)


def _sweep(stored: Mapping[str, Any], files: Mapping[str, InputFile], name: str) -> Sweep:
    frames = (files[one].facts for one in stored["frames"])
    own = {"id": _id(stored["id"], name), "frames": tuple(f for f in frames if f is not None)}
    return Sweep(**fields_of(Sweep, {**stored, **own}))


def _measured(
    fit: Mapping[str, Any], sweep: Sweep, readings: Sequence[Mapping[str, Any] | None], run: str
) -> MeasuredSweep:
    colour = fit["filter"] if fit["filter"] != sweep.filter else ""
    pairs = zip(sweep.frames, readings, strict=True)
    none, nothing = np.zeros(0), np.zeros((0, len(readings)))
    return MeasuredSweep(
        id=_id(fit["id"], run),
        filter=fit["filter"],
        sweep=sweep,
        frames=tuple(_radius(facts, reading, colour) for facts, reading in pairs),
        tracks=StarTracks(
            x_px=none, y_px=none, radius_px=nothing, radius_sigma_px=nothing,
            flags=nothing.astype(int),
        ),
    )  # fmt: skip


def _radius(facts: FrameFacts, stored: Mapping[str, Any] | None, channel: str) -> FrameRadius:
    own = dict(stored or {"stars": 0, "stars_found": 0, "reason": "no radius"})
    radius, large = (estimate(own.pop(name, None)) for name in ("hfr_px", "radius80_px"))
    found = fields_of(FrameRadius, own)
    if radius.is_known:
        found["reason"] = None
    return FrameRadius(
        facts=facts,
        radius_px=radius.value,
        radius_sigma_px=radius.sigma,
        radius80_px=large.value,
        radius80_sigma_px=large.sigma,
        n_stars=own["stars"],
        n_found=own["stars_found"],
        channel=channel,
        **found,
    )


def _fit(stored: Mapping[str, Any], name: str) -> CurveFit:
    points, own = stored["points"], {"filter": stored["filter"], "approach": stored["approach"]}
    for key, field in POINTS.items():
        kind = int if key == "stars" else float
        own[field] = tuple(points[key]) if key == "file" else np.array(points[key], kind)
    curve = FocusCurve(id=_id(stored["id"], name), **own)
    best, found = estimate(stored["best_focus_steps"]), fields_of(CurveFit, stored)
    other_star = found["model"] == "star" and len(found["shape"]) != STAR
    if other_star or found["model"] not in get_args(ModelName):
        # A curve of an earlier version (or none): drawn as the hyperbola of its floor and wings.
        found["model"] = "hyperbola"
        found["shape"] = (best.value, found["floor_px"].value, found["slope_px_per_step"].value)
    low, high = stored["bound_steps"]
    found["bound_steps"] = (-math.inf if low is None else low, math.inf if high is None else high)
    return CurveFit(
        curve=curve,
        used=np.array(points["used"], bool),
        frame_reasons=tuple(points["reason"]),
        best_steps=best.value,
        best_sigma_steps=best.sigma,
        **found,
    )
