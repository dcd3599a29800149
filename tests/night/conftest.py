"""One drawn telescope and what its figures say of it."""

import pytest

from starsize.night import equipment_from_setup
from starsize.setup import Camera, Focuser, Setup, Telescope
from starsize.simulate import LENSES, tabulate_radii

from .nights import FILTERS


@pytest.fixture(scope="session")
def table():
    """Radii of a drawn refractor by wave optics of the simulator's own."""
    return tabulate_radii(LENSES["triplet_f5.5"], FILTERS)


@pytest.fixture(scope="session")
def equipment(table):
    """What a setup file says of it."""
    scene = table.scene
    setup = Setup(
        telescope=Telescope(
            focal_length_mm=scene.lens.focal_length_mm,
            aperture_mm=scene.lens.focal_length_mm / scene.lens.focal_ratio,
        ),
        camera=Camera(pixel_um=scene.sensor.pixel_um),
        focuser=Focuser(um_per_step=scene.focuser.um_per_step),
    )
    return equipment_from_setup(setup, FILTERS)
