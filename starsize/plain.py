"""Frozen data as bytes and back, to the last bit: what ``cache`` keeps and makes its keys from.

Our own data classes, arrays, tuples, mappings, paths and plain values; nothing else is written,
and reading makes nothing else (unlike pickle, which runs what a file tells it to).
"""

import dataclasses
import hashlib
import importlib
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np

_PACKAGE: Final = __package__
#: Bytes at the start that say how long the JSON part is.
_LENGTH: Final = 8


def to_bytes(thing: Any) -> bytes:
    """Write plain data as bytes; equal data give equal bytes. ``TypeError`` for other data."""
    arrays = io.BytesIO()

    def put(data: bytes) -> int:
        at = arrays.tell()
        arrays.write(data)
        return at

    text = _text(thing, put)
    return b"".join([len(text).to_bytes(_LENGTH, "big"), text, arrays.getbuffer()])


def from_bytes(data: bytes) -> Any:
    """Read again what ``to_bytes`` wrote."""
    end = _LENGTH + int.from_bytes(data[:_LENGTH], "big")
    return _filled(json.loads(data[_LENGTH:end]), memoryview(data)[end:])


def digest(*things: Any) -> str:
    """SHA-256 of plain data, as hexadecimal digits."""
    found = hashlib.sha256()

    def put(data: bytes) -> int:
        found.update(data)  # not kept: the arrays of a long night are many
        return 0

    found.update(_text(things, put))
    return found.hexdigest()


def _text(thing: Any, put: Callable[[bytes], int]) -> bytes:
    return json.dumps(_outline(thing, put), separators=(",", ":")).encode()


def _outline(thing: Any, put: Callable[[bytes], int]) -> Any:
    """The data without the contents of its arrays, which ``put`` takes, and says where they are."""
    if isinstance(thing, np.ndarray | np.generic) and thing.dtype.kind in "biufSU":
        at = put(thing.tobytes())
        name = "array" if isinstance(thing, np.ndarray) else "number"
        return {name: [thing.dtype.str, list(thing.shape), at]}
    if thing is None or type(thing) in (bool, int, float, str):
        return thing
    if isinstance(thing, Path):
        return {"path": str(thing)}
    if type(thing) in (tuple, list, dict):
        items = thing.items() if isinstance(thing, dict) else thing
        return {type(thing).__name__: [_outline(item, put) for item in items]}
    kind = type(thing)
    if dataclasses.is_dataclass(kind) and kind.__module__.split(".")[0] == _PACKAGE:
        names = [field.name for field in dataclasses.fields(kind)]
        values = [_outline(getattr(thing, name), put) for name in names]
        return {"data": [kind.__module__, kind.__qualname__, dict(zip(names, values, strict=True))]}
    raise TypeError(f"not plain data: {kind.__module__}.{kind.__qualname__}")


def _filled(outline: Any, arrays: memoryview) -> Any:
    if not isinstance(outline, dict):
        return outline
    ((kind, value),) = outline.items()
    if kind in ("array", "number"):
        dtype, shape, at = value
        whole = np.dtype(dtype)
        count = int(np.prod(shape))
        part = arrays[at : at + count * whole.itemsize]
        # A copy, because an array that looks into the bytes could not be written to.
        array = np.frombuffer(part, whole, count).reshape(shape).copy()
        return array if kind == "array" else array[()]
    if kind == "path":
        return Path(value)
    if kind == "data":
        module, name, values = value
        # No other name is looked up than a data class of this package.
        made = None
        if module.split(".")[0] == _PACKAGE:
            made = getattr(importlib.import_module(module), name, None)
        if not (isinstance(made, type) and dataclasses.is_dataclass(made)):
            raise TypeError(f"not one of our data classes: {module}.{name}")
        return made(**{key: _filled(one, arrays) for key, one in values.items()})
    items = [_filled(item, arrays) for item in value]
    return {"tuple": tuple, "list": list, "dict": dict}[kind](items)
