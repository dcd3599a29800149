"""Reading a stored run again, as far as the comparison of two runs needs it."""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from ..comparison.sets.compared import MeasuredSet
from ..errors import InputError
from ..estimate import Estimate
from .document import RESULT_SCHEMA

_Built = TypeVar("_Built")


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
    """
    return read_result(path, lambda document, home: _measured_set(document, name=home.name))


def read_result(path: Path | str, build: Callable[[Mapping[str, Any], Path], _Built]) -> _Built:
    """Build something from a stored run and its folder; see ``load_measured_set`` for the rest."""
    given = Path(path)
    file = given / "result.json" if given.is_dir() else given
    document = read_document(file)
    try:
        return build(document, file.absolute().parent)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        msg = f"{file} is damaged ({error!r}); run 'starsize offsets' again to write it anew"
        raise InputError(msg) from error


def read_document(file: Path) -> Mapping[str, Any]:
    """The JSON of a result file; see ``load_measured_set`` for what it raises."""
    if not file.is_file():
        msg = f"there is no {file}; give a folder that 'starsize offsets' wrote"
        raise InputError(msg)
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        schema = document["schema"]
        ours = schema["name"] == RESULT_SCHEMA["name"]
        version = int(schema["version"])
    except OSError as error:
        msg = f"cannot read {file}: {(error.strerror or str(error)).lower()}"
        raise InputError(msg) from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        msg = f"{file} is not a result of starsize; give a folder that 'starsize offsets' wrote"
        raise InputError(msg) from error
    if not ours:
        msg = f"{file} is not a result of 'starsize offsets' but {schema['name']!r}"
        raise InputError(msg)
    if version > RESULT_SCHEMA["version"]:
        msg = f"{file} was written by a newer starsize (schema {version}); update starsize"
        raise InputError(msg)
    return document


def _measured_set(document: Mapping[str, Any], *, name: str) -> MeasuredSet:
    rows = {row["filter"]: row for row in document["offsets"]}
    filters = tuple(document["offset_covariance"]["filters"])
    count = len(filters)
    matrix = np.array(document["offset_covariance"]["matrix_steps2"], float)
    return MeasuredSet(
        name=name,
        filters=filters,
        offset_steps=_finite([rows[one]["offset_steps"] for one in filters], (count,)),
        covariance_steps2=_finite(matrix, (count, count)),
        half95_steps=tuple(map(float, document["offset_covariance"].get("half95_steps") or ())),
        refused={
            row["filter"]: str(row["reason"]) for row in rows.values() if row["status"] == "refused"
        },
        zone_steps={
            one: float(row["zone_steps"])
            for one, row in rows.items()
            if row["zone_steps"] is not None
        },
        um_per_step=_estimate(document["focuser"]["um_per_step"]),
        outward=document["setup"]["focuser"]["outward"],
        frames_sigma_steps=_frames_sigmas([rows[one] for one in filters]),
        sweeps=tuple(int(rows[one]["sweeps"]) for one in filters),
        repeatability_steps=_estimate(document["focuser"].get("repeatability_steps")),
    )


def _frames_sigmas(rows: Sequence[Mapping[str, Any]]) -> tuple[float, ...]:
    """Of each filter; empty where an earlier version did not store them."""
    stored = [row.get("sigma_frames_steps") for row in rows]
    return () if None in stored else tuple(float(one) for one in stored if one is not None)


def _finite(values: Sequence[float] | np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    array = np.array(values, float).reshape(shape)
    if not np.isfinite(array).all():
        msg = "a number is missing"
        raise ValueError(msg)
    return array


def _estimate(stored: Mapping[str, float | None] | None) -> Estimate | None:
    if stored is None or stored["value"] is None:
        return None
    sigma = stored["sigma"]
    return Estimate(float(stored["value"]), math.nan if sigma is None else float(sigma))
