"""Plain data written and read again, to the last bit, and nothing else."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, strategies as st
from hypothesis.extra import numpy as arrays

from starsize.estimate import Estimate
from starsize.frames import FrameFacts
from starsize.plain import digest, from_bytes, to_bytes
from starsize.setup import FilterGlass, Setup

LEAVES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(),
    arrays.arrays(
        st.sampled_from(["f8", "f4", "i8", "u2", "?", "U3"]), arrays.array_shapes(min_side=0)
    ),
    st.builds(np.float64, st.floats()),
    st.builds(Estimate, st.floats(), st.floats()),
    st.just(Path("folder") / "\udcff.fits"),
)  # fmt: skip
PLAIN = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner),
        st.lists(inner).map(tuple),
        st.dictionaries(st.one_of(st.text(), st.integers()), inner),
    ),
    max_leaves=12,
)


def same(a, b):
    """Of one type and equal to the bit; not a number is like itself."""
    assert type(a) is type(b)
    if isinstance(a, np.ndarray | np.generic):
        assert (a.dtype, a.shape, a.tobytes()) == (b.dtype, b.shape, b.tobytes())
    elif isinstance(a, dict):
        same(list(a.items()), list(b.items()))
    elif isinstance(a, tuple | list):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            same(one, other)
    elif dataclasses.is_dataclass(a):
        for field in dataclasses.fields(a):
            same(getattr(a, field.name), getattr(b, field.name))
    elif isinstance(a, float):
        assert np.float64(a).tobytes() == np.float64(b).tobytes() or (np.isnan(a) and np.isnan(b))
    else:
        assert a == b


@given(PLAIN)
def test_what_is_written_is_read_again_to_the_last_bit(thing):
    same(from_bytes(to_bytes(thing)), thing)


def test_data_classes_within_each_other_come_back():
    setup = Setup(filters={"Ha": FilterGlass(wavelength_nm=656.3, aliases=("H-alpha",))})
    same(from_bytes(to_bytes(setup)), setup)


def test_arrays_that_come_back_can_be_written_to():
    array = from_bytes(to_bytes(np.zeros(3)))
    array[1] = 1.0
    assert array.tolist() == [0, 1, 0]


@pytest.mark.parametrize(
    "other", [(1.0, "a"), [1, "a"], (1, "b"), (True, "a"), (np.int64(1), "a"), (1, "a", None)]
)
def test_what_differs_in_value_or_type_has_another_digest(other):
    assert digest((1, "a")) == digest((1, "a"))
    assert digest((1, "a")) != digest(other)


def test_facts_that_differ_in_one_field_have_another_digest():
    facts = FrameFacts(path=Path("a.fits"), exposure_s=2.0)
    assert digest(facts) != digest(dataclasses.replace(facts, exposure_s=np.nextafter(2.0, 3)))


@pytest.mark.parametrize("thing", [object(), {1, 2}, print, np.array([object()]), Path, 1j])
def test_what_is_not_plain_is_refused(thing):
    with pytest.raises(TypeError, match="not plain data"):
        to_bytes((1, thing))


@pytest.mark.parametrize(
    ("module", "name"), [("os", "system"), ("subprocess", "Popen"), ("starsize.plain", "digest"),
                         ("pathlib", "Path"), ("starsize.cache", "Cache"), ("starsize.x", "y")]
)  # fmt: skip
def test_bytes_from_elsewhere_make_nothing_but_our_data_classes(module, name):
    text = json.dumps({"data": [module, name, {}]}).encode()
    with pytest.raises((TypeError, ImportError), match=r"data classes|No module"):
        from_bytes(len(text).to_bytes(8, "big") + text)
