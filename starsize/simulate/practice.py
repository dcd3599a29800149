"""Nights that people really have: odd optics, poor skies, small frames. Every one invented."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from ..optics import wing_slope_px_per_um
from .headers import HeaderStyle
from .lens import Lens
from .lenses import LENSES
from .plan import NightPlan
from .plate import usual_plate
from .pupil import Pupil
from .scene import Scene, Sensor, Sky, StarField

_ORDER: Final = ("L", "R", "G", "B", "Ha", "OIII", "SII")
_FEW: Final = ("L", "R", "G", "B", "Ha")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scene, what the observer does there, and one sentence for people."""

    text: str
    scene: Scene
    plan: NightPlan
    styles: tuple[HeaderStyle, ...] = (HeaderStyle(),)


def _night(
    text: str,
    scene: Scene,
    ends_px: float,
    *,
    order: tuple[str, ...] = _ORDER,
    plan: NightPlan | None = None,
) -> Scenario:
    """Sweep of 11 positions to where geometry makes the radius ``ends_px``."""
    lens, focuser = scene.lens, scene.focuser
    slope = wing_slope_px_per_um(lens.focal_ratio, scene.sensor.pixel_um, lens.obstruction)
    plan = plan or NightPlan()
    spacing = 2 * ends_px / slope / focuser.um_per_step / (plan.positions - 1)
    plan = replace(
        plan, order=order, spacing_steps=round(spacing), miscentre_steps=round(spacing / 4)
    )
    return Scenario(text=text, scene=scene, plan=plan)


def _with(scene: Scene, *, pupil: Pupil | None = None, **field_um: float) -> Scene:
    """The scene with another pupil and another field."""
    lens: Lens = replace(scene.lens, pupil=pupil or scene.lens.pupil, **field_um)  # type: ignore[arg-type]
    return replace(scene, lens=lens)


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


def _odd_optics() -> dict[str, Scenario]:
    refractor, fast, slow = LENSES["triplet_f5.5"], LENSES["mirror_f4"], LENSES["mirror_f8"]
    pinched = Pupil(trefoil=0.35, astigmatism=0.2, astigmatism_deg=20.0, shadow_x=0.06)
    vanes = Pupil(vanes=4, vane_width=0.008, corner_coma=0.6, coma=0.1)
    many = StarField(count=300, faintest_e_per_s=400.0)
    return {
        "astigmatic": _night(
            "A refractor with a quarter wave of astigmatism.",
            _with(refractor, pupil=Pupil(astigmatism=0.25, astigmatism_deg=30.0)),
            5.0,
        ),
        "astigmatic_tilted": _night(
            "Astigmatism that grows towards the corners, a tilted camera and a curved field.",
            _with(
                _few_colours(refractor),
                pupil=Pupil(astigmatism=0.15, corner_astigmatism=0.5),
                tilt_x_um=45.0,
                tilt_y_um=-25.0,
                curvature_um=40.0,
            ),
            5.0,
            order=_FEW,
        ),
        "coma_vanes": _night(
            "A mirror of f/4 with the coma of its field and four vanes.",
            _with(_few_colours(fast), pupil=vanes),
            6.5,
            order=_FEW,
        ),
        "touching_doughnuts": _night(
            "A mirror of f/4 in a rich field: far from focus the doughnuts touch.",
            replace(fast, stars=many),
            10.0,
        ),
        "pinched_mirror": _night(
            "A mirror pinched by its cell, trefoil and astigmatism; the shadow off centre.",
            _with(fast, pupil=pinched),
            7.0,
        ),
        "off_centre_shadow": _night(
            "A mirror of f/8 whose shadow lies an eighth of the radius off centre.",
            _with(slow, pupil=Pupil(shadow_x=0.12, shadow_y=-0.05, coma=0.1, coma_deg=70.0)),
            9.0,
        ),
        "trefoil_kolmogorov": _night(
            "Trefoil and coma behind turbulence of the textbook.",
            replace(
                _with(LENSES["doublet_f7"], pupil=Pupil(trefoil=0.25, coma=0.15, coma_deg=40.0)),
                sky=Sky(kolmogorov=True),
            ),
            5.0,
        ),
        "camera_lens": _night(
            "A camera lens of f/2.8: stars smaller than a pixel.",
            replace(LENSES["camera_lens_f2.8"], stars=StarField(count=300, faintest_e_per_s=800.0)),
            3.0,
        ),
        "long_f10": _night(
            "Two metres at f/10: half-flux radii from 5 to 26 px.",
            replace(
                LENSES["long_f10"],
                sensor=Sensor(shape=(800, 1000)),
                stars=StarField(count=25, faintest_e_per_s=3e3, brightest_e_per_s=2e5),
            ),
            26.0,
        ),
    }


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
            replace(good, sky=Sky(nebula_e_per_s=15.0)),
            NightPlan(),
        ),
        "galaxy": (
            "A bright galaxy in the middle of the field.",
            replace(good, sky=Sky(galaxy_e_per_s=3e5), stars=StarField(count=40)),
            NightPlan(),
        ),
        "amplifier_glow": (
            "A camera whose electronics light up one corner.",
            replace(good, sensor=Sensor(amplifier_e_per_s=150.0, hot_pixels=200)),
            NightPlan(),
        ),
        "satellites": (
            "Two satellites cross every other frame.",
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
    return {name: _night(*row[:2], 5.0, order=_FEW, plan=row[2]) for name, row in scenes.items()}


def _small_frames() -> dict[str, Scenario]:
    good, fast = LENSES["triplet_f5.5"], LENSES["mirror_f4"]
    sub = Sensor(shape=(300, 360))

    def stars(*light: float) -> StarField:
        return StarField(only_e_per_s=light)

    pinched = _with(fast, pupil=Pupil(trefoil=0.4, astigmatism=0.25, shadow_y=0.05))
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
        name: _night(text, replace(scene, sensor=sub), ends, order=_FEW)
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
            _FEW,
        ),
        "early_saturation": (
            "A camera that saturates early; calibration left a noisy plateau.",
            replace(
                good,
                sensor=Sensor(full_well_adu=12000.0, response=0.015),
                stars=StarField(brightest_e_per_s=3e5),
            ),
            _FEW,
        ),
        "steps_of_4": (
            "A converter that counts in steps of 4 ADU.",
            replace(good, sensor=Sensor(step_adu=4, gain_e_per_adu=0.25)),
            _FEW,
        ),
        "steps_of_16": (
            "A converter that counts in steps of 16 ADU.",
            replace(good, sensor=Sensor(step_adu=16, gain_e_per_adu=0.25)),
            _FEW,
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
        name: _night(text, scene, 5.0, order=order) for name, (text, scene, order) in rows.items()
    }


_COLOURED: Final[Mapping[str, float]] = {
    "achromat_f6": 7.0,
    "achromat_f5": 5.5,
    "achromat_f10": 9.0,
    "overcorrected_f7.5": 9.0,
    "blue_corrected_f7": 7.5,
    "doublet_f7": 5.0,
    "fluorite_f6": 5.0,
    "petzval_f5": 5.0,
}
"""Half-flux radius by geometry at the ends of a sweep."""

PRACTICE: Final[Mapping[str, Scenario]] = {
    **{
        name: _night(f"An invented lens of real glasses, {name}.", LENSES[name], ends)
        for name, ends in _COLOURED.items()
    },
    **_odd_optics(),
    **_skies(),
    **_small_frames(),
    **_cameras(),
}
"""Scenario by name."""
