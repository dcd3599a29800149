"""Nights drawn at random: telescope, camera, filters, sky, stars and what the observer does.

A number says which. They show what scenes made for a purpose hide. Mending has been done on numbers
1 to 9, 101 to 124, 144, 147, 164 and 169, and all up to 169 were looked at: a verdict takes numbers
that nobody has tried. All of one shape of sensor have the stars and clouds of one seed.
"""

import numpy as np

from starsize.optics import critical_focus_zone_um
from starsize.simulate import Scenario
from starsize.simulate.focuser import FocuserPhysics
from starsize.simulate.lens import Group, Lens
from starsize.simulate.lenses import followed
from starsize.simulate.plan import NightPlan
from starsize.simulate.plate import FilterPlate, usual_plate
from starsize.simulate.pupil import Pupil
from starsize.simulate.scenario import swept_night
from starsize.simulate.scene import Scene, Sensor, Sky, StarField

ORDERS = (
    ("L", "R", "G", "B", "L"),
    ("L", "R", "L", "G", "L", "B", "L"),
    ("L", "R", "G", "B", "Ha", "OIII", "SII", "L"),
    ("R", "G", "B", "R"),
    ("L", "Ha", "OIII", "L"),
    ("Ha", "SII", "OIII", "Ha"),
)
DOUBLETS = (("S-FPL53", "N-ZK7"), ("N-BK7", "F2"), ("CaF2", "N-KZFS4"))
PIXELS_UM = (2.4, 2.9, 3.76, 4.63, 5.4, 9.0)
ARCSEC_PX = 206.265
"""Times pixels in micrometres over focal length in millimetres."""


def random_scenario(number: int) -> Scenario:
    """Draw the night of that number."""
    rng = np.random.default_rng([number, 20311])
    lens = _lens(rng)
    zone_um = critical_focus_zone_um(550.0, lens.focal_ratio)
    step_um = zone_um / rng.uniform(3, 12) if rng.random() < 0.5 else zone_um / rng.uniform(12, 60)
    seeing = rng.uniform(1.8, 4.5)
    sensor, sky = _sensor(rng), _sky(rng, seeing)
    order = ORDERS[rng.integers(len(ORDERS))]
    scene = Scene(
        lens=lens,
        filters={name: _plate(name, lens, rng) for name in dict.fromkeys(order)},
        focuser=FocuserPhysics(
            um_per_step=round(step_um, 2),
            outward=int(rng.choice([-1, 1])),
            steps_per_degC=-rng.uniform(0.3, 1.5) * 0.0236 * lens.focal_length_mm / step_um,
            backlash_steps=rng.uniform(0, 80),
            scatter_steps=rng.uniform(0, 0.05) * zone_um / step_um,
        ),
        sensor=sensor,
        sky=sky,
        stars=StarField(
            count=round(float(np.exp(rng.uniform(np.log(15), np.log(250))))),
            faintest_e_per_s=100.0,
            brightest_e_per_s=float(np.exp(rng.uniform(np.log(2e4), np.log(2e6)))),
            slope=rng.uniform(0.5, 0.9),
            double_share=rng.choice([0.0, 0.1, 0.3]),
        ),
        telescope=f"Invented telescope {number}",
    )
    seeing_px = seeing * lens.focal_length_mm / ARCSEC_PX / sensor.pixel_um
    floor_px = np.hypot(0.57 * seeing_px, 0.53 * 0.55 * lens.focal_ratio / sensor.pixel_um)
    warm = rng.uniform(5, 20)
    plan = NightPlan(
        positions=int(rng.choice([7, 9, 11, 13])),
        interval_s=rng.uniform(240, 900),
        warm_degC=warm,
        cold_degC=warm - rng.uniform(0, 3),
        rising=bool(rng.random() < 0.5),
        wind_px=(0.0, rng.uniform(0.5, 2)) if rng.random() < 0.2 else (0.0, 0.0),
        cloud=rng.uniform(0.2, 1.0) if rng.random() < 0.2 else 0.0,
        satellites=0.2 if rng.random() < 0.3 else 0.0,
    )
    ends_px = rng.uniform(2.5, 4.5) * float(floor_px)
    return swept_night("A night drawn at random.", scene, ends_px, order=order, plan=plan)


def _lens(rng: np.random.Generator) -> Lens:
    mirror = rng.random() < 0.4
    ratio = rng.uniform(3.0, 10.0) if mirror else rng.uniform(4.8, 10.0)
    aperture = rng.uniform(100, 280) if mirror else rng.uniform(50, 140)
    # Field tilt and curvature in zones of that focal ratio.
    zone_um = critical_focus_zone_um(550.0, ratio)
    bent = rng.normal(0, 0.6 * zone_um, 3) * (rng.random() < 0.5)
    pair = DOUBLETS[rng.choice(3, p=[0.5, 0.2, 0.3])]
    return Lens(
        focal_length_mm=round(ratio * aperture, 1),
        aperture_mm=round(aperture, 1),
        obstruction=rng.uniform(0.2, 0.45) if mirror else 0.0,
        groups=() if mirror else (Group(glasses=pair),),
        colour_share=rng.uniform(0.2, 1.0),
        # A wave of it is 32 N^2 lambda of longitudinal aberration, balanced.
        spherical_um=rng.normal(0, 0.15) * 32 * 0.55 * ratio**2 / 2,
        curvature_um=bent[0],
        tilt_x_um=bent[1],
        tilt_y_um=bent[2],
        pupil=_pupil(rng, mirror),
    )


def _pupil(rng: np.random.Generator, mirror: bool) -> Pupil:
    if rng.random() < 0.6:
        return Pupil()
    return Pupil(
        astigmatism=rng.normal(0, 0.08),
        astigmatism_deg=rng.uniform(0, 180),
        coma=rng.normal(0, 0.08),
        coma_deg=rng.uniform(0, 360),
        trefoil=rng.normal(0, 0.05),
        vanes=4 if mirror else 0,
    )


def _sensor(rng: np.random.Generator) -> Sensor:
    return Sensor(
        shape=((480, 640), (800, 1000))[rng.integers(2)],
        pixel_um=float(rng.choice(PIXELS_UM)),
        gain_e_per_adu=rng.uniform(0.2, 2.0),
        read_noise_e=rng.uniform(1.0, 8.0),
        hot_pixels=int(rng.integers(0, 200)),
        step_adu=int(rng.choice([1, 1, 4, 16])),
        dust=int(rng.choice([0, 0, 6])),
        amplifier_e_per_s=float(rng.choice([0.0, 0.0, 0.0, 20.0])),
    )


def _sky(rng: np.random.Generator, seeing: float) -> Sky:
    return Sky(
        seeing_arcsec=seeing,
        beta=rng.uniform(2.8, 4.5),
        kolmogorov=bool(rng.random() < 0.5),
        jitter=rng.uniform(0.01, 0.12),
        glow_e_per_s=float(np.exp(rng.uniform(np.log(0.2), np.log(30)))),
        gradient=rng.uniform(0, 0.6),
        vignetting=rng.uniform(0, 0.4),
        cosmic_rays=rng.uniform(0, 3),
        nebula_e_per_s=rng.uniform(1, 8) if rng.random() < 0.2 else 0.0,
        galaxy_e_per_s=2e5 if rng.random() < 0.1 else 0.0,
    )


def _plate(name: str, lens: Lens, rng: np.random.Generator) -> FilterPlate:
    narrow = name in ("Ha", "SII", "OIII")
    plate = usual_plate(
        name,
        samples=1 if narrow else 301,
        taper=rng.uniform(0, 0.5),
        kelvin=None if narrow else rng.uniform(4500, 8000),
        thickness_mm=2 + rng.normal(0, 0.05) + (rng.random() < 0.1) * rng.uniform(0.3, 1.0),
        throughput=0.04 if narrow else None,
        exposure_s=rng.uniform(8, 30) if narrow else rng.uniform(2, 6),
    )
    return plate if narrow else followed(plate, lens)
