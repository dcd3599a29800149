"""A stored run read again: its offsets, and its sweeps for the adjustment of another night."""

import dataclasses
import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np
from scipy.linalg import block_diag

from ..comparison.field import at_centre
from ..comparison.sets import MeasuredSet
from ..curves.curve import FocusCurve
from ..curves.fitted import STAR, CurveFit, CurveSet, ModelName
from ..errors import InputError
from ..estimate import NOT_KNOWN, Estimate
from ..frames.frame import FrameFacts, InputFile, Sweep
from ..frames.setup_file import setup_from_tables
from ..setup import Setup
from ..tracking.measured import FrameRadius, MeasuredSweep, StarTracks
from .document import POINTS, stated
from .folder import RESULT_FILES

#: Between the folder's name and the sweep's own id.
SEPARATOR: Final = ":"
_STEPS_AGREE: Final = 0.05
#: No number of a result is as large.
_FARTHEST: Final = 1e30


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


@contextmanager
def _document_of(path: Path | str) -> Iterator[tuple[Mapping[str, Any], Path]]:
    """The JSON of a stored run, and its folder; ``InputError`` if what is built of it fails too."""
    file = Path(path) / "result.json" if Path(path).is_dir() else Path(path)
    if not file.is_file():
        raise InputError(f"there is no {file}; give a folder that 'starsize offsets' wrote")
    try:
        text = file.read_text(encoding="utf-8")
        document = json.loads(text, parse_float=_number, parse_constant=_number)
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
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        msg = f"{file} is damaged ({error!r}); run 'starsize offsets' again to write it anew"
        raise InputError(msg) from error


def _number(stored: str) -> float:
    """A number of a document: none that we write is infinite or nearly so."""
    if not abs(value := float(stored)) < _FARTHEST:
        raise ValueError(f"{stored} is no number of a result")
    return value


def _built(kind: Any, stored: Mapping[str, Any], **own: Any) -> Any:
    """A dataclass of the fields that a document, of whatever version, has under their names."""
    types = {field.name: field.type for field in dataclasses.fields(kind)}
    named = [name for name in stored if name in types and name not in own]
    return kind(**{name: _value(types[name], stored[name]) for name in named}, **own)


def _value(kind: Any, stored: Any) -> Any:
    """A stored value; numbers that are null are NaN."""
    if kind is Estimate:
        return _estimate(stored)
    if kind is float:
        return math.nan if stored is None else float(stored)
    try:
        fits = isinstance(stored, kind | int if float in get_args(kind) else kind)
    except TypeError:  # a list: what is in it is not looked at
        fits = True
    if not fits:
        raise TypeError(f"{stored!r} in place of {kind}")
    return tuple(_value(float, one) for one in stored) if isinstance(stored, list) else stored


def _estimate(stored: Mapping[str, float | None] | None) -> Estimate:
    return NOT_KNOWN if stored is None else _built(Estimate, stored)


def set_of_document(document: Mapping[str, Any], *, name: str) -> MeasuredSet:
    """The offsets of a run as its ``result.json`` holds them."""
    table, focuser = document["offset_covariance"], document["focuser"]
    filters, rows = tuple(table["filters"]), {row["filter"]: row for row in document["offsets"]}
    size, scatter = (_estimate(focuser.get(k)) for k in ("um_per_step", "repeatability_steps"))
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
    name, stored, frames = folder.name, document["curves"], document["frames"]
    files = {one["file"]: _file(one, folder) for one in frames}
    readings = {(one["file"], r["sweep"]): r for one in frames for r in one["readings"]}
    sweeps = {one["id"]: _sweep(one, files, name) for one in document["sweeps"]}
    taken = {one["id"]: one["frames"] for one in document["sweeps"]}
    setup, size = _setup(document["setup"]), document["focuser"]["um_per_step"]
    field = document["field"] or {"significant": False}
    centre = field["centre_steps"].items() if field["significant"] else ()
    curves = CurveSet(
        fits=tuple(_fit(fit, name) for fit in stored["fits"]),
        covariance_steps2=np.array(stored["best_focus_covariance"]["matrix_steps2"], float),
        slope_px_per_step=_estimate(stored["slope_px_per_step"]),
    )
    answered = [(fit.best_steps, fit.best_sigma_steps, *fit.shape) for fit in curves.answered]
    matrix = curves.covariance_steps2.reshape(len(answered), len(answered))
    if not (np.isfinite(matrix).all() and all(np.isfinite(one).all() for one in answered)):
        raise ValueError("a number is missing")
    measured = []
    for fit in stored["fits"]:
        sweep, colour = sweeps[fit["sweep"]], fit["filter"]
        channel = colour if colour != sweep.filter else ""
        mine = [readings.get((file, fit["id"])) for file in taken[fit["sweep"]]]
        pairs = zip(sweep.frames, mine, strict=True)
        found = tuple(_radius(facts, reading, channel) for facts, reading in pairs)
        one = {"id": _id(fit["id"], name), "filter": colour, "sweep": sweep, "frames": found}
        measured.append(MeasuredSweep(**one, tracks=_no_tracks(len(found))))
    return StoredRun(
        name=name,
        setup=setup,
        reference=next(iter(document["offset_covariance"]["filters"]), None),
        um_per_step=size["value"] if size else setup.focuser.um_per_step,
        files=tuple(files.values()),
        sweeps=tuple(sweeps.values()),
        measured=tuple(measured),
        # The tracks of the stars are not stored, what they said of the centre is.
        curves=at_centre(curves, {_id(k, name): _estimate(v) for k, v in centre}),
    )


def _setup(document: Mapping[str, Any]) -> Setup:
    """The setup of that run, as its file would state it."""
    tables = stated(document)
    tables["telescope"].pop("focal_ratio", None)
    return setup_from_tables(tables)


def _id(stored: str, name: str) -> str:
    """A run that was joined before keeps the names it gave then."""
    return stored if SEPARATOR in stored else f"{name}{SEPARATOR}{stored}"


def _file(stored: Mapping[str, Any], folder: Path) -> InputFile:
    path, facts = folder / stored["file"], stored["facts"]
    if facts is None:
        return InputFile(path, None, stored["reason"] or "not read")
    shape = tuple(facts.get("shape") or (0, 0))
    reason = None if stored["readings"] else stored["reason"]
    return InputFile(path, _built(FrameFacts, facts, path=path, shape=shape), reason)


def _sweep(stored: Mapping[str, Any], files: Mapping[str, InputFile], name: str) -> Sweep:
    frames = (files[one].facts for one in stored["frames"])
    own = {"id": _id(stored["id"], name), "frames": tuple(f for f in frames if f is not None)}
    return _built(Sweep, stored, **own)


def _no_tracks(count: int) -> StarTracks:
    none, nothing = np.zeros(0), np.zeros((0, count))
    sizes: dict[str, Any] = {
        "radius_px": nothing,
        "radius_sigma_px": nothing,
        "flags": nothing.astype(int),
    }
    return StarTracks(x_px=none, y_px=none, **sizes)


def _radius(facts: FrameFacts, stored: Mapping[str, Any] | None, channel: str) -> FrameRadius:
    stored = stored or {"stars": 0, "stars_found": 0, "reason": "no radius"}
    radius, large = (_estimate(stored.get(name)) for name in ("hfr_px", "radius80_px"))
    return _built(
        FrameRadius,
        stored,
        facts=facts,
        reason=None if radius.is_known else stored["reason"],
        radius_px=radius.value,
        radius_sigma_px=radius.sigma,
        radius80_px=large.value,
        radius80_sigma_px=large.sigma,
        n_stars=stored["stars"],
        n_found=stored["stars_found"],
        channel=channel,
    )


def _fit(stored: Mapping[str, Any], name: str) -> CurveFit:
    points = stored["points"]
    curve: dict[str, Any] = {k: _value(str, stored[k]) for k in ("filter", "approach")}
    curve["id"] = _id(stored["id"], name)
    for key, field in POINTS.items():
        kind = int if key == "stars" else float
        curve[field] = tuple(points[key]) if key == "file" else np.array(points[key], kind)
    best, (low, high) = _estimate(stored["best_focus_steps"]), stored["bound_steps"]
    own: dict[str, Any] = {}
    other_star = stored["model"] == "star" and len(stored["shape"]) != STAR
    if other_star or stored["model"] not in get_args(ModelName):
        # A curve of an earlier version (or none): drawn as the hyperbola of its floor and wings.
        wings = (_estimate(stored[key]).value for key in ("floor_px", "slope_px_per_step"))
        own = {"model": "hyperbola", "shape": (best.value, *wings)}
    return _built(
        CurveFit,
        stored,
        curve=FocusCurve(**curve),
        used=np.array(points["used"], bool),
        frame_reasons=tuple(points["reason"]),
        best_steps=best.value,
        best_sigma_steps=best.sigma,
        bound_steps=(-math.inf if low is None else low, math.inf if high is None else high),
        **own,
    )
