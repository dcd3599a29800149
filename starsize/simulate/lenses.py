"""Telescopes to practise with, every one invented, of real glasses."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from .focuser import FocuserPhysics
from .lens import LINE_C_NM, LINE_F_NM, Group, Lens
from .plate import FilterPlate, usual_plate
from .scene import Scene, Sensor, Sky

_ED: Final = ("S-FPL53", "N-ZK7")
_CLASSIC: Final = ("N-BK7", "F2")
_NARROW: Final = ("Ha", "SII", "OIII")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Made:
    """A lens, the temperature of the stars it is turned to (K), and the seeing (arcsec)."""

    lens: Lens
    kelvin: float = 5500.0
    seeing: float = 3.0


def _lens(
    focal_mm: float,
    aperture_mm: float,
    glasses: tuple[str, ...] = (),
    joined_nm: tuple[float, ...] = (LINE_F_NM, LINE_C_NM),
    **colour_or_pupil: float,
) -> Lens:
    groups = (Group(glasses=glasses, joined_nm=joined_nm),) if glasses else ()
    shape = {"focal_length_mm": focal_mm, "aperture_mm": aperture_mm, **colour_or_pupil}
    return replace(Lens(groups=groups), **shape)  # type: ignore[arg-type]


_MADE: Final[Mapping[str, _Made]] = {
    "achromat_f6": _Made(lens=_lens(600, 100, _CLASSIC)),
    "achromat_f5": _Made(lens=_lens(400, 80, ("N-BK7", "N-SF5"), spherical_um=30.0), kelvin=4500.0),
    "achromat_f10": _Made(lens=_lens(1020, 102, ("N-BAK4", "SF2"), (480.0, 644.0)), kelvin=6500.0),
    "overcorrected_f7.5": _Made(
        lens=_lens(952, 127, _CLASSIC, spherical_um=-60.0, spherochromatism_um=-60.0)
    ),
    # Joined in the blue, its red stands furthest out: the colours follow in reversed order.
    "blue_corrected_f7": _Made(lens=_lens(700, 100, _CLASSIC, (435.8, 546.1), colour_share=0.5)),
    "doublet_f7": _Made(lens=_lens(560, 80, _ED, spherochromatism_um=50.0), kelvin=4800.0),
    "fluorite_f6": _Made(
        lens=_lens(
            480,
            80,
            ("CaF2", "N-KZFS4"),
            (546.1, 656.3),
            spherical_um=-20.0,
            spherochromatism_um=40.0,
        ),
        kelvin=7000.0,
    ),
    "blue_doublet_f5.6": _Made(
        lens=_lens(392, 70, ("S-FPL53", "N-BK7"), (404.7, 546.1), spherical_um=20.0)
    ),
    "triplet_f5.5": _Made(
        lens=_lens(
            480,
            87.3,
            ("S-FPL53", "N-KZFS4", "N-BK7"),
            (435.8, 546.1, 656.3),
            spherochromatism_um=30.0,
        )
    ),
    "petzval_f5": _Made(
        lens=Lens(
            focal_length_mm=500.0,
            aperture_mm=100.0,
            groups=(
                Group(glasses=_ED, focal_mm=1.6, gap_mm=0.7),
                Group(glasses=("N-BK7", "N-SF5"), focal_mm=1.4),
            ),
        ),
        kelvin=6000.0,
    ),
    "mirror_f4": _Made(lens=_lens(800, 200, obstruction=0.3)),
    "mirror_f8": _Made(lens=_lens(1600, 200, obstruction=0.35), seeing=2.5),
    "camera_lens_f2.8": _Made(
        lens=_lens(135, 48.2, _CLASSIC, colour_share=0.15, spherical_um=12.0), seeing=3.5
    ),
    "long_f10": _Made(lens=_lens(2000, 200, obstruction=0.35, spherical_um=50.0)),
}


def _plate(name: str, made: _Made) -> FilterPlate:
    """A usual filter before stars and sensor, its colours followed through the lens."""
    narrow = name in _NARROW
    many = usual_plate(
        name,
        samples=1 if narrow else 301,
        taper=0.1,
        kelvin=made.kelvin,
        throughput=0.04 if narrow else None,
        exposure_s=8.0 if narrow else 3.0,
    )
    return many if narrow else followed(many, made.lens)


def followed(many: FilterPlate, lens: Lens) -> FilterPlate:
    """The filter with colours that follow so closely that its light is as good as continuous.

    Neighbours focus no further apart than four critical focus zones, and a band has a dozen of them
    or more: with few colours the discs of an achromat's blue would stand apart, and its best focus
    move by a zone; with eight that of its green still moves by a thirtieth. ``many`` has enough of
    them that sums stand for integrals.
    """
    middle, width = many.passband_nm()
    colour = np.array(many.wavelengths_nm)
    few = np.linspace(colour[0], colour[-1], 16)
    focus = np.array([lens.colour_shift_um(c) for c in few])
    depth = 16e-3 * colour[0] * lens.focal_ratio**2
    way = np.cumsum(np.abs(np.gradient(np.interp(colour, few, focus))) / depth)
    way += (colour - colour[0]) / min(15.0, width / 12)
    edge = np.interp(np.linspace(0, way[-1], int(np.ceil(way[-1])) + 1), way, colour)
    # Integrals up to the edges: their differences are those of the cells.
    light = np.cumsum(many.weights)
    share, moment = (
        np.diff(np.interp(edge, colour, whole))
        for whole in (light, np.cumsum(colour * many.weights))
    )
    return replace(
        many,
        wavelengths_nm=tuple((moment / share).tolist()),
        weights=tuple((share / share.sum()).tolist()),
        edges_nm=(middle - width / 2, middle + width / 2),
    )


def _scene(name: str, made: _Made) -> Scene:
    return Scene(
        lens=made.lens,
        filters={f: _plate(f, made) for f in ("L", "R", "G", "B", *_NARROW)},
        focuser=FocuserPhysics(
            # Steps of a twelfth of the zone, as fine as the optics ask for.
            um_per_step=round(0.085 * made.lens.focal_ratio**2, 1),
            scatter_steps=0.3,
        ),
        sensor=Sensor(hot_pixels=25),
        sky=Sky(seeing_arcsec=made.seeing),
        telescope=f"Invented {name}",
    )


LENSES: Final[Mapping[str, Scene]] = {name: _scene(name, made) for name, made in _MADE.items()}
"""Scene by name of its lens: seven filters (see `_plate` for their colours), no filter odd."""
