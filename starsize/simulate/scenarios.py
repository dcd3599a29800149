"""Ready-made scenes and nights, every one invented."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from .focuser import FocuserPhysics
from .lens import Lens
from .lenses import followed
from .odd_optics import LENS_NIGHTS
from .plan import NightPlan
from .plate import FilterPlate, band_samples, dye_plates, usual_plate
from .poor_skies import SKY_NIGHTS
from .scenario import Scenario
from .scene import Scene, Sensor, Sky, StarField

_NARROW: Final = ("Ha", "SII", "OIII")
_SEVEN: Final = ("L", "R", "G", "B", "L", "Ha", "SII", "OIII", "L")
_DOUBLET: Final = ("S-FPL53", "N-ZK7")


def seven_plates(
    thickness_mm: Mapping[str, float] | None = None, *, samples: int = 5, taper: float = 0.0
) -> dict[str, FilterPlate]:
    """L, R, G, B, Ha, SII and OIII of 2 mm glass, or of the thickness given for some of them."""
    glass = thickness_mm or {}
    plates = {}
    for name in dict.fromkeys(_SEVEN):
        narrow = name in _NARROW
        plates[name] = usual_plate(
            name,
            samples=1 if narrow else samples,
            taper=taper,
            thickness_mm=glass.get(name, 2.0),
            # 12 nm over the 300 nm of L, a band that still shows stars.
            throughput=0.04 if narrow else None,
            exposure_s=8.0 if narrow else 3.0,
        )
    return plates


def _refractor() -> Scene:
    """480 mm f/5.5 with hardly any colour, as a good triplet has."""
    return Scene(
        lens=Lens(focal_length_mm=480.0, aperture_mm=87.3, glasses=_DOUBLET, colour_share=0.4),
        filters=seven_plates(),
        focuser=FocuserPhysics(scatter_steps=0.3),
        sensor=Sensor(hot_pixels=25),
        telescope="Invented refractor 87/480",
    )


def _achromat() -> Scene:
    """100 mm f/6 of N-BK7 and F2."""
    lens = Lens(focal_length_mm=600.0, aperture_mm=100.0, glasses=("N-BK7", "F2"))
    plates = seven_plates(samples=301, taper=0.9)
    # A blue filter that spares the achromat its worst colours, as makers of such filters do.
    colours, weights = band_samples(465.0, 90.0, samples=301, taper=0.9)
    plates["B"] = replace(plates["B"], wavelengths_nm=colours, weights=weights)
    return Scene(
        lens=lens,
        filters=_followed(plates, lens),
        focuser=FocuserPhysics(scatter_steps=0.3),
        sensor=Sensor(hot_pixels=25),
        telescope="Invented achromat 100/600",
    )


def _followed(plates: Mapping[str, FilterPlate], lens: Lens) -> dict[str, FilterPlate]:
    """The plates with colours enough for a lens that spreads them over many zones."""
    broad = {n: followed(p, lens) for n, p in plates.items() if n not in _NARROW}
    return {**plates, **broad}


_NIGHT: Final = NightPlan(order=_SEVEN, warm_degC=11.0, cold_degC=8.0)


def _filters_apart() -> dict[str, Scenario]:
    good, colourful = _refractor(), _achromat()
    return {
        "parfocal_refractor": Scenario(
            text="A good refractor whose seven filters share one focus.",
            scene=good,
            plan=_NIGHT,
        ),
        "one_thick_filter": Scenario(
            text="The same refractor; the O III filter holds 1 mm more glass.",
            scene=replace(good, filters=seven_plates({"OIII": 3.0})),
            plan=_NIGHT,
        ),
        "achromat": Scenario(
            text="A 100 mm f/6 achromat with seven filters: its colours focus apart.",
            scene=colourful,
            plan=replace(_NIGHT, spacing_steps=25),
        ),
        "colour_camera": Scenario(
            text="The same achromat before a colour camera: one sweep answers for R, G and B.",
            scene=replace(
                colourful,
                filters=_followed(dye_plates(samples=301), colourful.lens),
                sensor=Sensor(shape=(600, 800), bayer="RGGB", hot_pixels=25),
            ),
            plan=replace(_NIGHT, order=("G", "G"), positions=13, spacing_steps=25),
        ),
        "good_colour_camera": Scenario(
            text="A good refractor before a colour camera: R, G and B share one focus.",
            scene=replace(
                good,
                filters=dye_plates(),
                sensor=Sensor(shape=(600, 800), bayer="RGGB", hot_pixels=25),
            ),
            plan=replace(_NIGHT, order=("G", "G")),
        ),
    }


def _hard_nights() -> dict[str, Scenario]:
    good = _refractor()
    reflector = replace(
        good,
        lens=Lens(focal_length_mm=800.0, aperture_mm=200.0, obstruction=0.35),
        telescope="Invented reflector 200/800",
    )
    return {
        "reflector": Scenario(
            text="A mirror telescope, 35 % obstructed, with play in the focuser.",
            scene=replace(
                reflector, focuser=FocuserPhysics(scatter_steps=0.3, backlash_steps=40.0)
            ),
            plan=replace(_NIGHT, spacing_steps=18),
        ),
        "cooling_night": Scenario(
            text="The good refractor on a night that cools by 4 degC, L taken three times.",
            scene=replace(good, focuser=FocuserPhysics(scatter_steps=0.3, steps_per_degC=-6.0)),
            plan=replace(_NIGHT, warm_degC=12.0, cold_degC=8.0, interval_s=1800.0),
        ),
        "few_faint_stars": Scenario(
            text="The good refractor on a poor field, through three narrow filters.",
            scene=replace(
                good, stars=StarField(count=25, faintest_e_per_s=300.0, brightest_e_per_s=2e4)
            ),
            plan=replace(_NIGHT, order=("Ha", "SII", "OIII", "Ha")),
        ),
        "worn_focuser": Scenario(
            text="Play is not taken up before each sweep, and the seeing is unsteady.",
            scene=replace(
                good,
                focuser=FocuserPhysics(scatter_steps=1.0, backlash_steps=45.0),
                sky=Sky(jitter=0.12),
            ),
            plan=replace(_NIGHT, order=("L", "R", "G", "B", "L"), take_up=False),
        ),
        "tilted_camera": Scenario(
            text="The good refractor with a tilted camera and a curved field.",
            scene=replace(
                good,
                lens=replace(good.lens, curvature_um=60.0, tilt_x_um=40.0, tilt_y_um=-20.0),
                stars=StarField(count=160),
            ),
            plan=replace(_NIGHT, order=("L", "R", "G", "B", "L")),
        ),
    }


SCENARIOS: Final[Mapping[str, Scenario]] = {
    **_filters_apart(),
    **_hard_nights(),
    **LENS_NIGHTS,
    **SKY_NIGHTS,
}
"""Scenario by name."""
