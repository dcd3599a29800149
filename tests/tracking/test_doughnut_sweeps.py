"""Sweeps made of real doughnuts (testdata/real/decam_donuts): no frame is left out."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "doughnut_sweeps.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("doughnut_sweeps", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", [100, 101, 102, 107])
def test_every_frame_of_a_sweep_of_real_doughnuts_takes_part(script, seed):
    reasons, answered, wrong, pull, _ = script.trial(script.load_stamps(), seed)
    assert reasons == []
    assert answered
    assert abs(wrong) < 0.05
    assert np.abs(pull) < 3.5
