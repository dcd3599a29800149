"""Nights under skies and before cameras that people really have. All invented."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from .lenses import LENSES
from .plan import NightPlan
from .pupil import Pupil
from .scenario import FEW_FILTERS, Scenario, swept_night, with_lens
from .scene import Scene, Sensor, Sky, StarField


def _skies() -> dict[str, Scenario]:
    good, mirror = LENSES["triplet_f5.5"], LENSES["mirror_f4"]
    moon = Sky(glow_e_per_s=60.0, gradient=0.67, vignetting=0.5)
    windy = NightPlan(wind_px=(1.0, 3.0))
    rich = StarField(count=1500, faintest_e_per_s=150.0)
    scenes: dict[str, tuple[str, Scene, NightPlan]] = {
        "moonlight": (
            "Moonlight, a sky that doubles across the frame, no flat, dust.",
            replace(good, sky=moon, sensor=Sensor(dust=25, hot_pixels=25)),
            NightPlan(),
        ),
        "nebula": (
            "Stars in a bright nebula that is lumpy on all scales.",
            replace(good, sky=Sky(glow_e_per_s=3.0, nebula_e_per_s=4.0)),
            NightPlan(),
        ),
        "galaxy": (
            "A bright galaxy in the middle of the field.",
            replace(good, sky=Sky(galaxy_e_per_s=3e5), stars=StarField(count=40)),
            NightPlan(),
        ),
        "amplifier_glow": (
            "A camera whose electronics light up one corner.",
            replace(good, sensor=Sensor(amplifier_e_per_s=40.0, hot_pixels=200)),
            NightPlan(),
        ),
        "satellites": (
            "A satellite crosses most frames; cosmic rays strike.",
            replace(good, sky=Sky(cosmic_rays=5.0)),
            NightPlan(satellites=1.0),
        ),
        "clouds": ("Clouds pass; some frames are lost.", good, NightPlan(cloud=1.5)),
        "double_stars": (
            "Half of the stars are double.",
            replace(good, stars=StarField(double_share=0.5)),
            NightPlan(),
        ),
        "crowded": ("Fifteen hundred stars.", replace(good, stars=rich), NightPlan()),
        "wind": ("Wind draws every star out by 1 to 3 px.", good, windy),
        "windy_mirror": ("A mirror of f/4 in the wind.", mirror, windy),
    }
    return {
        name: swept_night(*row[:2], 5.0, order=FEW_FILTERS, plan=row[2])
        for name, row in scenes.items()
    }


def _small_frames() -> dict[str, Scenario]:
    good, fast = LENSES["triplet_f5.5"], LENSES["mirror_f4"]
    sub = Sensor(shape=(300, 360))

    def stars(*light: float) -> StarField:
        return StarField(only_e_per_s=light)

    pinched = with_lens(fast, pupil=Pupil(trefoil=0.4, astigmatism=0.25, shadow_y=0.05))
    rows: dict[str, tuple[str, Scene, float]] = {
        "one_star": ("A subframe with one star.", replace(good, stars=stars(2e4)), 5.0),
        "one_star_pinched": (
            "A subframe with one star of a pinched mirror, doughnuts to 18 px.",
            replace(pinched, stars=stars(6e4)),
            18.0,
        ),
        "one_and_two": (
            "One bright star, and two that show only in focus.",
            replace(good, stars=stars(2e4, 220.0, 180.0)),
            6.0,
        ),
        "one_burnt_out": (
            "One star, burnt out near focus.",
            replace(good, stars=stars(8e5)),
            5.0,
        ),
        "three_one_burnt_out": (
            "Three stars, the brightest burnt out near focus.",
            replace(good, stars=stars(8e5, 3e4, 1.5e4)),
            5.0,
        ),
        "six_stars": (
            "A subframe with six stars.",
            replace(good, stars=stars(3e4, 1.6e4, 8e3, 4e3, 2e3, 1e3)),
            5.0,
        ),
    }
    return {
        name: swept_night(text, replace(scene, sensor=sub), ends, order=FEW_FILTERS)
        for name, (text, scene, ends) in rows.items()
    }


def _cameras() -> dict[str, Scenario]:
    good = LENSES["triplet_f5.5"]
    long_plates = {n: replace(p, exposure_s=60.0) for n, p in good.filters.items()}
    faint = StarField(count=30, faintest_e_per_s=300.0, brightest_e_per_s=1.2e4)
    rows: dict[str, tuple[str, Scene, tuple[str, ...]]] = {
        "burnt_out": (
            "Exposures of 60 s in which dozens of stars burn out.",
            replace(
                good,
                filters=long_plates,
                sensor=Sensor(shape=(1000, 1500), hot_pixels=100, full_well_adu=65535.0),
                stars=StarField(count=400, faintest_e_per_s=60.0, brightest_e_per_s=2e5),
            ),
            FEW_FILTERS,
        ),
        "early_saturation": (
            "A camera that saturates early; calibration left a noisy plateau.",
            replace(
                good,
                sensor=Sensor(full_well_adu=12000.0, response=0.015),
                stars=StarField(brightest_e_per_s=3e5),
            ),
            FEW_FILTERS,
        ),
        "steps_of_4": (
            "A converter that counts in steps of 4 ADU.",
            replace(good, sensor=Sensor(step_adu=4, gain_e_per_adu=0.25)),
            FEW_FILTERS,
        ),
        "steps_of_16": (
            "A converter that counts in steps of 16 ADU.",
            replace(good, sensor=Sensor(step_adu=16, gain_e_per_adu=0.25)),
            FEW_FILTERS,
        ),
        "few_faint_narrow": (
            "Few faint stars through narrow filters.",
            replace(good, stars=faint),
            ("Ha", "OIII", "SII", "Ha"),
        ),
        "six_faint_narrow": (
            "Six faint stars through narrow filters.",
            replace(good, stars=StarField(only_e_per_s=(9e3, 5e3, 4e3, 3e3, 2e3, 1.5e3))),
            ("Ha", "OIII", "SII", "Ha"),
        ),
    }
    return {
        name: swept_night(text, scene, 5.0, order=order)
        for name, (text, scene, order) in rows.items()
    }


SKY_NIGHTS: Final[Mapping[str, Scenario]] = {**_skies(), **_small_frames(), **_cameras()}
"""Scenario by name."""
