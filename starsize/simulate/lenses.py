"""Telescopes to practise with, every one invented, of real glasses."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from .focuser import FocuserPhysics
from .lens import Group, Lens
from .plate import usual_plate
from .scene import Scene, Sensor, Sky

_ED: Final = ("S-FPL53", "N-ZK7")
_CLASSIC: Final = ("N-BK7", "F2")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """Focal length and aperture in mm, seeing in arcsec, pixel in um, colour of the stars."""

    size: tuple[float, float]
    groups: tuple[Group, ...] = ()
    more: Mapping[str, float] | None = None
    kelvin: float = 5500.0
    seeing: float = 3.0
    pixel: float = 3.76


def _one(glasses: tuple[str, ...], *joined_nm: float) -> tuple[Group, ...]:
    return (Group(glasses=glasses, joined_nm=joined_nm or (486.1327, 656.2725)),)


_MADE: Final[Mapping[str, _Made]] = {
    "achromat_f6": _Made(size=(600, 100), groups=_one(_CLASSIC)),
    "achromat_f5": _Made(
        size=(400, 80), groups=_one(("N-BK7", "N-SF5")), more={"spherical_um": 30.0}, kelvin=4500.0
    ),
    "achromat_f10": _Made(
        size=(1020, 102), groups=_one(("N-BAK4", "SF2"), 480.0, 644.0), kelvin=6500.0
    ),
    "overcorrected_f7.5": _Made(
        size=(952, 127),
        groups=_one(_CLASSIC),
        more={"spherical_um": -60.0, "spherochromatism_um": -60.0},
    ),
    # Joined in the blue, its red stands furthest out: the colours follow in reversed order.
    "blue_corrected_f7": _Made(
        size=(700, 100), groups=_one(_CLASSIC, 435.8, 546.1), more={"colour_share": 0.5}
    ),
    "doublet_f7": _Made(
        size=(560, 80), groups=_one(_ED), more={"spherochromatism_um": 50.0}, kelvin=4800.0
    ),
    "fluorite_f6": _Made(
        size=(480, 80),
        groups=_one(("CaF2", "N-KZFS4"), 546.1, 656.3),
        more={"spherical_um": -20.0, "spherochromatism_um": 40.0},
        kelvin=7000.0,
    ),
    "blue_doublet_f5.6": _Made(
        size=(392, 70),
        groups=_one(("S-FPL53", "N-BK7"), 404.7, 546.1),
        more={"spherical_um": 20.0},
    ),
    "triplet_f5.5": _Made(
        size=(480, 87.3),
        groups=_one(("S-FPL53", "N-KZFS4", "N-BK7"), 435.8, 546.1, 656.3),
        more={"spherochromatism_um": 30.0},
    ),
    "petzval_f5": _Made(
        size=(500, 100),
        groups=(
            Group(glasses=_ED, focal_mm=1.6, gap_mm=0.7),
            Group(glasses=("N-BK7", "N-SF5"), focal_mm=1.4),
        ),
        kelvin=6000.0,
    ),
    "mirror_f4": _Made(size=(800, 200), more={"obstruction": 0.3}),
    "mirror_f8": _Made(size=(1600, 200), more={"obstruction": 0.35}, seeing=2.5),
    "camera_lens_f2.8": _Made(
        size=(135, 48.2),
        groups=_one(_CLASSIC),
        more={"colour_share": 0.15, "spherical_um": 12.0},
        seeing=3.5,
    ),
    "long_f10": _Made(
        size=(2000, 200), more={"obstruction": 0.35, "spherical_um": 50.0}, pixel=3.76
    ),
}


def _scene(name: str, made: _Made) -> Scene:
    focal, aperture = made.size
    lens = Lens(
        focal_length_mm=focal, aperture_mm=aperture, groups=made.groups, **(made.more or {})
    )
    narrow = ("Ha", "SII", "OIII")
    # Sharp enough steps for fast optics: about a twelfth of the zone.
    step = round(0.085 * lens.focal_ratio**2, 1)
    return Scene(
        lens=lens,
        filters={
            f: usual_plate(
                f,
                samples=1 if f in narrow else 21 if f == "L" else 11,
                taper=0.1,
                kelvin=made.kelvin,
                throughput=0.04 if f in narrow else None,
                exposure_s=8.0 if f in narrow else 3.0,
            )
            for f in ("L", "R", "G", "B", *narrow)
        },
        focuser=FocuserPhysics(um_per_step=step, scatter_steps=0.3),
        sensor=Sensor(pixel_um=made.pixel, hot_pixels=25),
        sky=Sky(seeing_arcsec=made.seeing),
        telescope=f"Invented {name}",
    )


LENSES: Final[Mapping[str, Scene]] = {name: _scene(name, made) for name, made in _MADE.items()}
"""Scene by name of its lens: seven filters (7 colours in L, 5 in R, G and B), no filter odd."""
