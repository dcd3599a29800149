"""Frames of a lens that spreads the colours: a core in a wide faint halo, among neighbours.

The simulator blurs by waves of many colours through dispersion of the published glasses (see
starsize/simulate/lens.py); truth is its noiseless star with all of the light.
"""

import numpy as np
import pytest

from starsize.simulate import true_best_focus, true_curve
from starsize.simulate.exposure import Shot, draw_exposure
from starsize.simulate.scenarios import SCENARIOS
from starsize.stars import measure_frame


@pytest.mark.parametrize("step", [-50, 0, 75])
@pytest.mark.parametrize("band", ["B", "L"])
def test_the_halo_of_an_achromat_is_part_of_the_star(band, step):
    scene = SCENARIOS["achromat"].scene
    place = true_best_focus(scene, band) + step
    shot = Shot(
        filter=band,
        camera_steps=place,
        temperature_degC=scene.focuser.home_degC,
        exposure_s=3.0,
    )
    image = draw_exposure(scene, shot, rng=np.random.default_rng(7))
    table = measure_frame(image, gain_e_per_adu=scene.sensor.gain_e_per_adu)
    good = table[table["flags"] == 0][:20]
    truth = true_curve(scene, band, [place])[0]
    # Without the halo B reads up to a quarter small on one side.
    assert abs(np.median(good["radius"].value) / truth - 1) < 0.03
