"""Reading a stored run again, as far as the comparison of two runs needs it."""

import dataclasses
import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from ..comparison.compared import OffsetRow
from ..comparison.sets.compared import MeasuredSet
from ..comparison.sets.filter_sets import set_of_rows
from ..errors import InputError
from ..estimate import NOT_KNOWN, Estimate
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

    Examples
    --------
    >>> load_measured_set("my-results").filters  # doctest: +SKIP
    ('L', 'R', 'G', 'B')
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


def fields_of(kind: type, stored: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of a dataclass that a document holds under their own names.

    Documents of older versions lack the last ones.
    """
    found = {}
    for field in dataclasses.fields(kind):
        if field.name in stored:
            value = stored[field.name]
            if field.type is Estimate:
                value = estimate(value)
            elif field.type is float:
                value = _number(value)
            elif isinstance(value, list):
                value = tuple(map(_number, value))
            found[field.name] = value
    return found


def _number(stored: float | None) -> float:
    """A stored number, NaN where it is null."""
    return math.nan if stored is None else float(stored)


def estimate(stored: Mapping[str, float | None] | None) -> Estimate:
    """A stored value with its uncertainty."""
    if stored is None:
        return NOT_KNOWN
    return Estimate(_number(stored["value"]), _number(stored["sigma"]))


def _measured_set(document: Mapping[str, Any], *, name: str) -> MeasuredSet:
    table, focuser = document["offset_covariance"], document["focuser"]
    filters = tuple(table["filters"])
    step, scatter = (estimate(focuser.get(k)) for k in ("um_per_step", "repeatability_steps"))
    found = set_of_rows(
        [
            OffsetRow(**fields_of(OffsetRow, {**row, "growth_if_ignored": None}))
            for row in document["offsets"]
        ],
        name=name,
        filters=filters,
        covariance_steps2=np.reshape(np.array(table["matrix_steps2"], float), (len(filters),) * 2),
        half95_steps=tuple(map(float, table.get("half95_steps") or ())),
        um_per_step=step if step.is_known else None,
        outward=document["setup"]["focuser"]["outward"],
        repeatability_steps=scatter if scatter.is_known else None,
    )
    if not (np.isfinite(found.offset_steps).all() and np.isfinite(found.covariance_steps2).all()):
        msg = "a number is missing"
        raise ValueError(msg)
    return found
