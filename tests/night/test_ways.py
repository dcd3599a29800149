"""Temperature, time and altitude taken apart, where a night can."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.night import judge_night
from starsize.night.telescope import Field
from starsize.simulate.long_night import LongNightPlan

from .nights import drawn

#: A tube that cools fast at first, targets that rise one after another.
PLAN = LongNightPlan(
    frames=40, interval_s=720.0, order=("L",), block=40, start_zones=0.1, wander=0.08,
    cooling_degC=6.0, zones_per_degC=0.5, airmass=(1.9, 1.05, 1.9, 1.05),
    zones_per_deg_altitude=0.06,
)  # fmt: skip


def told(table, equipment, plan, seed):
    exposures, night, _ = drawn(table, plan, seed=seed)
    return judge_night(exposures, equipment).ways, night


@pytest.fixture(scope="module")
def sided(table, equipment):
    """A telescope whose field is tilted, so that the side of focus is seen."""
    tilt = np.array([0.6, 0.2, 0.0])
    field = Field(zones=tilt, relative=0.03, own={"L": np.zeros(3)}, scatter=np.full(3, 0.004))
    return replace(table, field_zones=tuple(tilt)), replace(equipment, field=field)


def test_what_altitude_does_is_told_beside_the_cooling_and_only_if_it_does(sided):
    table, equipment = sided
    found, _ = told(table, equipment, PLAN, 21)
    sag = found["deg_altitude"]
    assert abs(sag.value - 0.06) < 3 * sag.sigma
    assert sag.sigma < 0.015
    stiff, _ = told(table, equipment, replace(PLAN, zones_per_deg_altitude=0.0), 21)
    assert "deg_altitude" not in stiff


def test_what_goes_on_evenly_is_told_of_neither(sided):
    table, equipment = sided
    exposures, _, _ = drawn(table, replace(PLAN, airmass=(1.0, 1.0)), seed=22)
    # Cooling by the clock, and focus with it: nobody can say which it was.
    first = exposures[0].time_mjd
    even = [
        replace(e, temperature_degC=10 - 12 * (e.time_mjd - first), altitude_deg=float("nan"))
        for e in exposures
    ]
    names = set(judge_night(even, equipment).ways)
    assert names != {"degC", "hour"}


def test_a_night_whose_side_of_focus_is_not_seen_tells_no_signs(table, equipment):
    found, _ = told(table, equipment, PLAN, 21)
    assert found == {}
