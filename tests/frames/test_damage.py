"""Damage of any kind ends in a clear line or in a frame, never in a traceback or a warning."""

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from starsize.errors import FrameReadError
from starsize.frames import list_frames, read_frame

IMAGE = np.random.default_rng(3).integers(900, 1100, (40, 50)).astype(np.uint16)


@pytest.fixture(params=["a.fits", "a.fits.gz", "a.fits.fz"])
def healthy(request, make_fits):
    cards = {"FOCUSPOS": 5000, "FILTER": "L", "DATE-OBS": "2026-01-31T22:00:00", "EXPTIME": 2.0}
    compression = "RICE_1" if request.param.endswith("fz") else None
    return make_fits(request.param, cards, IMAGE, compression=compression)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_flipped_and_missing_bytes(healthy, data):
    raw = bytearray(healthy.read_bytes())
    damaged = healthy.with_name("b_" + healthy.name)
    for _ in range(data.draw(st.integers(1, 12))):
        raw[data.draw(st.integers(0, min(len(raw) - 1, 9000)))] = data.draw(st.integers(0, 255))
    keep = data.draw(st.one_of(st.just(len(raw)), st.integers(0, len(raw))))
    damaged.write_bytes(raw[:keep])
    (listed,) = list_frames([damaged])
    assert listed.facts is not None or listed.reason
    outcome = frame_or_message(damaged)
    if isinstance(outcome, str):
        assert "\n" not in outcome
        assert outcome.startswith(f"{damaged}: ")
    else:
        assert outcome.image.shape == outcome.facts.shape


def frame_or_message(path):
    try:
        return read_frame(path)
    except FrameReadError as error:
        return str(error)


@pytest.mark.parametrize("seed", range(20))
def test_a_gzip_file_whose_checksum_is_wrong_is_refused(make_fits, seed):
    path = make_fits("a.fits.gz", {"FOCUSPOS": 5000, "FILTER": "L"}, IMAGE)
    raw = bytearray(path.read_bytes())
    raw[np.random.default_rng(seed).integers(len(raw) // 2, len(raw) - 4)] ^= 0x10
    path.write_bytes(raw)
    assert frame_or_message(path) == f"{path}: the file is damaged and cannot be read"
