"""Telescopes whose colour is known, as the comparison takes them, and how to judge a verdict."""

from sweep_nights import curve_set, fits_of

from starsize import Comparison, compare_sweeps
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate.colour_night import UM_PER_STEP, ColourNight


def telescope(focal_length_mm, aperture_mm) -> Setup:
    return Setup(
        telescope=Telescope(focal_length_mm=focal_length_mm, aperture_mm=aperture_mm),
        focuser=Focuser(um_per_step=UM_PER_STEP),
    )


def setup_of(scene: ColourNight) -> Setup:
    return telescope(scene.focal_length_mm, scene.aperture_mm)


def compared(scene: ColourNight, rng) -> Comparison:
    return compare_sweeps(curve_set(fits_of(scene.draw(rng))), setup=setup_of(scene))


def judge(scene: ColourNight, rng) -> tuple[str, str]:
    found = compared(scene, rng).colour
    return scene.judged(found.verdict, found.cause, [o.filter for o in found.odd_filters])
