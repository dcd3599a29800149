"""Nights behind lenses of real glasses and behind optics that are not round. All invented."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from .lenses import LENSES, followed
from .plan import NightPlan
from .plate import FilterPlate, dye_plates, usual_plate
from .pupil import Pupil
from .scenario import FEW_FILTERS, Scenario, swept_night, with_lens
from .scene import Scene, Sensor, Sky, StarField


def _few_colours(scene: Scene) -> Scene:
    """Three colours a band: where each place of the field has a blur of its own."""
    plates = {
        name: usual_plate(
            name,
            samples=min(3, len(plate.wavelengths_nm)),
            kelvin=5500.0,
            throughput=plate.throughput,
            exposure_s=plate.exposure_s,
        )
        for name, plate in scene.filters.items()
    }
    return replace(scene, filters=plates)


def _odd_lenses() -> dict[str, Scenario]:
    refractor = LENSES["triplet_f5.5"]
    return {
        "astigmatic": swept_night(
            "A refractor with a quarter wave of astigmatism.",
            with_lens(refractor, pupil=Pupil(astigmatism=0.25, astigmatism_deg=30.0)),
            5.0,
        ),
        "astigmatic_tilted": swept_night(
            "Astigmatism that grows towards the corners, a tilted camera and a curved field.",
            with_lens(
                _few_colours(refractor),
                pupil=Pupil(astigmatism=0.15, corner_astigmatism=0.5),
                tilt_x_um=45.0,
                tilt_y_um=-25.0,
                curvature_um=40.0,
            ),
            5.0,
            order=FEW_FILTERS,
        ),
        "trefoil_kolmogorov": swept_night(
            "Trefoil and coma behind turbulence of the textbook.",
            replace(
                with_lens(
                    LENSES["doublet_f7"], pupil=Pupil(trefoil=0.25, coma=0.15, coma_deg=40.0)
                ),
                sky=Sky(kolmogorov=True),
            ),
            5.0,
        ),
        "camera_lens": swept_night(
            "A camera lens of f/2.8: stars smaller than a pixel.",
            replace(LENSES["camera_lens_f2.8"], stars=StarField(count=300, faintest_e_per_s=800.0)),
            3.0,
        ),
    }


def _odd_mirrors() -> dict[str, Scenario]:
    fast, slow = LENSES["mirror_f4"], LENSES["mirror_f8"]
    pinched = Pupil(trefoil=0.35, astigmatism=0.2, astigmatism_deg=20.0, shadow_x=0.06)
    vanes = Pupil(vanes=4, vane_width=0.008, corner_coma=0.6, coma=0.1)
    many = StarField(count=300, faintest_e_per_s=400.0)
    return {
        "coma_vanes": swept_night(
            "A mirror of f/4 with the coma of its field and four vanes.",
            with_lens(_few_colours(fast), pupil=vanes),
            6.5,
            order=FEW_FILTERS,
        ),
        "touching_doughnuts": swept_night(
            "A mirror of f/4 in a rich field: far from focus the doughnuts touch.",
            replace(fast, stars=many),
            10.0,
        ),
        "pinched_mirror": swept_night(
            "A mirror pinched by its cell, trefoil and astigmatism; the shadow off centre.",
            with_lens(fast, pupil=pinched),
            7.0,
        ),
        "off_centre_shadow": swept_night(
            "A mirror of f/8 whose shadow lies an eighth of the radius off centre.",
            with_lens(slow, pupil=Pupil(shadow_x=0.12, shadow_y=-0.05, coma=0.1, coma_deg=70.0)),
            9.0,
        ),
        "long_f10": swept_night(
            "Two metres at f/10: half-flux radii from 5 to 26 px.",
            replace(
                LENSES["long_f10"],
                sensor=Sensor(shape=(800, 1000)),
                stars=StarField(count=25, faintest_e_per_s=3e3, brightest_e_per_s=2e5),
            ),
            26.0,
        ),
    }


_COLOURED: Final[Mapping[str, tuple[float, str]]] = {
    "achromat_f6": (7.0, "A 100 mm f/6 achromat of N-BK7 and F2."),
    "achromat_f5": (5.5, "An 80 mm f/5 achromat of N-BK7 and N-SF5, spherically undercorrected."),
    "achromat_f10": (9.0, "A 102 mm f/10 achromat of N-BAK4 and SF2."),
    "overcorrected_f7.5": (9.0, "A 127 mm f/7.5 achromat, spherically overcorrected."),
    "blue_corrected_f7": (7.5, "A lens corrected for the blue, its red far out."),
    "doublet_f7": (5.0, "An 80 mm f/7 doublet of S-FPL53 and N-ZK7."),
    "fluorite_f6": (5.0, "An 80 mm f/6 doublet of fluorite and N-KZFS4."),
    "petzval_f5": (5.0, "A 100 mm f/5 of two doublets far apart."),
}
"""Half-flux radius by geometry at the ends of a sweep, and a sentence."""


def _dyes(scene: Scene) -> dict[str, FilterPlate]:
    plates = dye_plates(samples=301)
    return {name: followed(plate, scene.lens) for name, plate in plates.items()}


def _colour_cameras() -> dict[str, Scenario]:
    sensor = Sensor(shape=(600, 800), bayer="RGGB", hot_pixels=25)
    rows = {
        "achromat_f5": (7.0, "an 80 mm f/5 achromat."),
        "petzval_f5": (6.0, "two doublets far apart, 100 mm f/5."),
        "mirror_f4": (7.0, "a mirror of f/4."),
    }
    return {
        f"colour_{name}": swept_night(
            f"A colour camera behind {text}",
            replace(LENSES[name], filters=_dyes(LENSES[name]), sensor=sensor),
            ends,
            order=("G", "G"),
            plan=NightPlan(positions=13),
        )
        for name, (ends, text) in rows.items()
    }


LENS_NIGHTS: Final[Mapping[str, Scenario]] = {
    **{name: swept_night(text, LENSES[name], ends) for name, (ends, text) in _COLOURED.items()},
    **_odd_lenses(),
    **_odd_mirrors(),
    **_colour_cameras(),
}
"""Scenario by name."""
