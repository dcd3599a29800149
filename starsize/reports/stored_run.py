"""A stored run as it was before it was compared: its sweeps go into another night's adjustment."""

import dataclasses
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np

from ..comparison.field_stars import at_centre
from ..curves.curve import FocusCurve
from ..curves.fitted import CurveFit, CurveSet, ModelName
from ..curves.prediction import STAR
from ..errors import InputError
from ..estimate import NOT_KNOWN, Estimate
from ..frames.frame import FrameFacts, InputFile, Sweep
from ..frames.setup_file import setup_from_tables
from ..setup import Setup
from ..tracking.measured import FrameRadius, MeasuredSweep, StarTracks
from .stored import read_result

#: Between the folder's name and the sweep's own id.
SEPARATOR = ":"
_STEPS_AGREE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredRun:
    """Files, sweeps, radii and curves of a stored run; the ids begin with the folder's name."""

    name: str
    setup: Setup
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
    """Read a result folder, or the result.json in it, for another comparison.

    Raises
    ------
    InputError
        If there is no result.json, it is not one of ours, or it is damaged.
    """
    return read_result(path, _run)


def joined_curves(first: CurveSet, others: Sequence[CurveSet]) -> CurveSet:
    """The fits of several nights; those of different runs do not hang together."""
    sets = [first, *others]
    count = sum(len(s.answered) for s in sets)
    covariance, at = np.zeros((count, count)), 0
    for one in sets:
        k = len(one.answered)
        covariance[at : at + k, at : at + k] = np.reshape(one.covariance_steps2, (k, k))
        at += k
    slopes = [s.slope_px_per_step for s in sets if s.slope_px_per_step.is_known]
    return dataclasses.replace(
        first,
        fits=tuple(fit for one in sets for fit in one.fits),
        covariance_steps2=covariance,
        slope_px_per_step=slopes[0] if slopes else NOT_KNOWN,
    )


def check_same_focuser(
    runs: Iterable[StoredRun], *, um_per_step: float | None, outward: str
) -> None:
    """Refuse runs whose steps are not this focuser's.

    Raises
    ------
    InputError
        If a run counts the other way round or in steps of another size.
    """
    for run in runs:
        way = run.setup.focuser.outward
        if way != outward:
            msg = f"{run.name}: its steps count the other way (outward = {way!r})"
            raise InputError(msg)
        ratio = run.um_per_step / um_per_step if run.um_per_step and um_per_step else 1.0
        if abs(ratio - 1) > _STEPS_AGREE:
            msg = (
                f"{run.name}: its step is {run.um_per_step:.3g} um, here it is "
                f"{um_per_step:.3g}; only nights with one and the same focuser go together"
            )
            raise InputError(msg)


def _run(document: Mapping[str, Any], folder: Path) -> StoredRun:
    files = {one["file"]: _file(one, folder) for one in document["frames"]}
    readings = {one["file"]: one["readings"] for one in document["frames"]}
    name = folder.name
    sweeps = {one["id"]: _sweep(one, files, name) for one in document["sweeps"]}
    fits = document["curves"]["fits"]
    covariance = np.array(document["curves"]["best_focus_covariance"]["matrix_steps2"], float)
    setup = _setup(document["setup"])
    own = document["focuser"]["um_per_step"]
    field = document["field"] or {"significant": False}
    centre = field["centre_steps"].items() if field["significant"] else ()
    curves = CurveSet(
        fits=tuple(_fit(fit, name) for fit in fits),
        covariance_steps2=covariance,
        slope_px_per_step=_estimate(document["curves"]["slope_px_per_step"]),
    )
    return StoredRun(
        name=name,
        setup=setup,
        um_per_step=own["value"] if own else setup.focuser.um_per_step,
        files=tuple(files.values()),
        sweeps=tuple(sweeps.values()),
        measured=tuple(
            _measured(fit, sweeps[fit["sweep"]], _own(document, fit), readings, name)
            for fit in fits
        ),
        # The tracks of the stars are not stored, what they said of the centre is.
        curves=at_centre(curves, {_id(k, name): _estimate(v) for k, v in centre}),
    )


def _setup(stored: Mapping[str, Any]) -> Setup:
    """The setup of that run, as its file would state it."""
    tables = {
        name: {key: value for key, value in stored[name].items() if value is not None}
        for name in ("telescope", "focuser", "camera", "headers")
    }
    tables["telescope"].pop("focal_ratio", None)
    tables["filters"] = {
        name: {key: value for key, value in glass.items() if value is not None}
        for name, glass in stored["filters"].items()
    }
    return setup_from_tables(tables)


def _own(document: Mapping[str, Any], fit: Mapping[str, Any]) -> Sequence[str]:
    return next(s["frames"] for s in document["sweeps"] if s["id"] == fit["sweep"])


def _id(stored: str, name: str) -> str:
    """A run that was joined before keeps the names it gave then."""
    return stored if SEPARATOR in stored else f"{name}{SEPARATOR}{stored}"


def _file(stored: Mapping[str, Any], folder: Path) -> InputFile:
    path, facts = folder / stored["file"], stored["facts"]
    reason = stored["reason"] if facts is None or not stored["readings"] else None
    if facts is None:
        return InputFile(path, None, stored["reason"] or "not read")
    known = {f.name for f in dataclasses.fields(FrameFacts)} - {"path"}
    values = {key: value for key, value in facts.items() if key in known}
    values["shape"] = tuple(values.get("shape") or (0, 0))
    return InputFile(path, FrameFacts(path=path, **values), reason)


def _sweep(stored: Mapping[str, Any], files: Mapping[str, InputFile], name: str) -> Sweep:
    frames = (files[one].facts for one in stored["frames"])
    return Sweep(
        id=_id(stored["id"], name),
        filter=stored["filter"],
        frames=tuple(facts for facts in frames if facts is not None),
        approach=stored["approach"],
        timed=stored["timed"],
    )


def _measured(
    fit: Mapping[str, Any],
    sweep: Sweep,
    names: Sequence[str],
    readings: Mapping[str, Sequence[Mapping[str, Any]]],
    run: str,
) -> MeasuredSweep:
    frames = []
    for facts, name in zip(sweep.frames, names, strict=True):
        mine = (r for r in readings[name] if r["sweep"] == fit["id"])
        frames.append(_radius(facts, next(mine, None), fit["filter"] != sweep.filter))
    nothing = np.zeros((0, len(frames)))
    return MeasuredSweep(
        id=_id(fit["id"], run),
        filter=fit["filter"],
        sweep=sweep,
        frames=tuple(frames),
        tracks=StarTracks(
            x_px=np.zeros(0),
            y_px=np.zeros(0),
            radius_px=nothing,
            radius_sigma_px=nothing,
            flags=nothing.astype(int),
        ),
    )


def _radius(facts: FrameFacts, stored: Mapping[str, Any] | None, colour: bool) -> FrameRadius:
    if stored is None:
        return FrameRadius(
            facts=facts, radius_px=math.nan, radius_sigma_px=math.nan, n_stars=0, reason="no radius"
        )
    radius = _estimate(stored["hfr_px"])
    large = _estimate(stored.get("radius80_px"))
    return FrameRadius(
        facts=facts,
        radius_px=radius.value,
        radius_sigma_px=radius.sigma,
        radius80_px=large.value,
        radius80_sigma_px=large.sigma,
        n_stars=stored["stars"],
        n_found=stored["stars_found"],
        background_adu=_number(stored["background_adu"]),
        background_rms_adu=_number(stored["background_rms_adu"]),
        elongation=_number(stored["elongation"]),
        set_aside=dict(stored["set_aside"]),
        reason=None if radius.is_known else stored["reason"],
        channel=stored["filter"] if colour else "",
    )


def _fit(stored: Mapping[str, Any], name: str) -> CurveFit:
    points = stored["points"]
    best = _estimate(stored["best_focus_steps"])
    floor, slope = (_estimate(stored[name]) for name in ("floor_px", "slope_px_per_step"))
    low, high = stored["bound_steps"]
    model, shape = stored["model"], tuple(map(_number, stored["shape"]))
    if model not in get_args(ModelName) or (model == "star" and len(shape) != STAR):
        # A curve of an earlier version (or none): drawn as the hyperbola of its floor and wings.
        model, shape = "hyperbola", (best.value, floor.value, slope.value)

    def column(key: str) -> np.ndarray:
        return np.array(points[key], float)

    curve = FocusCurve(
        id=_id(stored["id"], name),
        filter=stored["filter"],
        position_steps=column("position_steps"),
        radius_px=column("hfr_px"),
        radius_sigma_px=column("hfr_sigma_px"),
        n_stars=np.array(points["stars"], int),
        temperature_degC=column("temperature_degC"),
        time_mjd=column("time_mjd"),
        names=tuple(points["file"]),
        approach=stored["approach"],
    )
    return CurveFit(
        curve=curve,
        verdict=stored["verdict"],
        answered=stored["answered"],
        reason=stored["reason"],
        used=np.array(points["used"], bool),
        frame_reasons=tuple(points["reason"]),
        model=model,
        best_steps=best.value,
        best_sigma_steps=best.sigma,
        dof=_number(stored["dof"]),
        interval68_steps=_ends(stored["interval68_steps"]),
        interval95_steps=_ends(stored["interval95_steps"]),
        floor_px=floor,
        slope_px_per_step=slope,
        jitter=_number(stored["jitter"]),
        chi2_reduced=_number(stored["chi2_reduced"]),
        wing_centre_steps=_estimate(stored["wing_centre_steps"]),
        hyperbola_steps=_estimate(stored["hyperbola_steps"]),
        v_steps=_estimate(stored["v_steps"]),
        bound_steps=(-math.inf if low is None else low, math.inf if high is None else high),
        shape=shape,
        play_steps=_estimate(stored["play_steps"]),
    )


def _ends(stored: Sequence[float | None]) -> tuple[float, float]:
    low, high = stored
    return _number(low), _number(high)


def _number(stored: float | None) -> float:
    return math.nan if stored is None else float(stored)


def _estimate(stored: Mapping[str, float | None] | None) -> Estimate:
    if stored is None:
        return NOT_KNOWN
    return Estimate(_number(stored["value"]), _number(stored["sigma"]))
