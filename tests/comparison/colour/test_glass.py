"""Plates of known glass taken off, and published rules for filters in a beam."""

import numpy as np
import pytest
from colour_nights import telescope
from sweep_nights import answered_fit, curve_set

from starsize import compare_sweeps
from starsize.comparison.colour.blame import index_of, plate_steps
from starsize.comparison.offsets.found import Scale
from starsize.estimate import Estimate
from starsize.filters import ORDER
from starsize.optics import plate_shift_mm
from starsize.setup import FilterGlass, Focuser, Setup, Telescope
from starsize.simulate.colour_night import doublet_offsets

#: A fair apochromat, all its filters in one zone.
APO = doublet_offsets("S-FPL53", "N-ZK7", ORDER, focal_length_mm=500.0, share=0.5)
ACHROMAT = doublet_offsets("N-BK7", "F2", ORDER, focal_length_mm=500.0)


def colour_of(offsets, *, thickness_mm=None, index=1.52, telescope_=None):
    """Report on one exact sweep per filter behind plates of the given thickness."""
    base = telescope_ or telescope(500.0, 91.0)
    glass = {
        n: FilterGlass(thickness_mm=t, refractive_index=index)
        for n, t in (thickness_mm or {}).items()
    }
    setup = Setup(telescope=base.telescope, focuser=base.focuser, filters=glass)
    fits = [
        answered_fit(10_000.0 + o, 0.3, id=f"{n}-1", filter=n, temperature_degC=10.0)
        for n, o in offsets.items()
    ]
    return compare_sweeps(curve_set(fits), setup=setup).colour


def with_plates(offsets, thickness_mm, index=1.52, ratio=500 / 91):
    return {
        n: o + 1e3 * plate_shift_mm(thickness_mm[n], index, ratio) / 4.0 for n, o in offsets.items()
    }


THIN_AND_THICK = dict.fromkeys(ORDER, 2.0) | {"Ha": 3.0, "SII": 3.0, "OIII": 3.0}


def test_known_thickness_leaves_the_telescope():
    found = colour_of(with_plates(APO, THIN_AND_THICK), thickness_mm=THIN_AND_THICK)
    assert (found.verdict, found.cause) == ("apart", "glass")
    assert "without it the filters would focus together" in found.cause_reason
    telescope_um = {p.filter: p.telescope_um.value for p in found.points}
    truth = np.array([4 * APO[n] for n in telescope_um])
    left = np.array(list(telescope_um.values()))
    np.testing.assert_allclose(left - left.mean(), truth - truth.mean(), atol=0.5)


def test_an_achromat_behind_even_glass_is_the_telescopes_fault():
    even = dict.fromkeys(ORDER, 3.0)
    found = colour_of(with_plates(ACHROMAT, even), thickness_mm=even)
    assert (found.verdict, found.cause) == ("apart", "telescope")
    assert "too little to explain it" in found.cause_reason


def test_an_achromat_behind_uneven_glass_is_both():
    found = colour_of(with_plates(ACHROMAT, THIN_AND_THICK), thickness_mm=THIN_AND_THICK)
    assert (found.verdict, found.cause) == ("apart", "both")


def test_a_wrongly_stated_thickness_is_found_as_extra_glass():
    real = dict.fromkeys(ORDER, 2.0) | {"OIII": 3.0}
    found = colour_of(with_plates(APO, real), thickness_mm=dict.fromkeys(ORDER, 2.0))
    assert found.cause == "glass"
    (odd,) = found.odd_filters
    assert odd.filter == "OIII"
    assert odd.extra_glass_mm.value == pytest.approx(1.0, abs=0.05)


def test_no_glass_is_not_the_same_as_unknown_glass():
    # The trap of the Nordic Optical Telescope's list the other way round: a stated 0 mm is a fact.
    setup = Setup(
        telescope=Telescope(focal_length_mm=500.0, aperture_mm=91.0),
        filters={"L": FilterGlass(thickness_mm=0.0), "R": FilterGlass()},
    )
    scale = Scale(um_per_step=Estimate(4.0))
    assert plate_steps("L", setup, scale) == 0
    assert plate_steps("R", setup, scale) is None
    assert plate_steps("G", setup, scale) is None


def test_filters_of_unknown_glass_count_as_crown_at_their_own_wavelength():
    assert index_of("Ha", Setup()) == pytest.approx(1.51432, abs=1e-5)  # N-BK7 at C
    assert index_of("X", Setup()) == pytest.approx(1.51680, abs=1e-5)  # at d


def test_the_rule_of_a_prime_focus_with_a_corrector_behind_the_filters():
    # Isaac Newton Group, Observers' Guide 1995: n = 1.6, paraxial 0.375 t, x 2.94/3.29 at the INT:
    # 0.3351 mm of focus for each mm of glass.
    setup = Setup(
        telescope=Telescope(focus_scale=2.94 / 3.29),
        filters={"X": FilterGlass(thickness_mm=1.0, refractive_index=1.6)},
    )
    steps = plate_steps("X", setup, Scale(um_per_step=Estimate(1.0)))
    assert steps == pytest.approx(335.1, abs=0.05)


def test_the_rule_of_a_nearly_parallel_beam_takes_the_glass_off():
    # ACAM (Isaac Newton Group web page): d = -0.0045 t + C mm. With focus_scale stated for that
    # beam, filters of the same band and any thickness leave one and the same C behind.
    scale = -0.0045 / plate_shift_mm(1.0, 1.5168)
    bands = {"B": (440.0, 0.028), "V": (550.0, 0.002), "R": (640.0, -0.027)}
    glass, offsets = {}, {}
    for name, (nm, c) in bands.items():
        for t in (3, 7, 13):
            key = f"{name}{t}"
            glass[key] = FilterGlass(
                wavelength_nm=nm, bandwidth_nm=80, thickness_mm=t, refractive_index=1.5168
            )
            offsets[key] = 1e3 * (-0.0045 * t + c)  # steps of 1 um
    setup = Setup(
        telescope=Telescope(focal_length_mm=46_200, aperture_mm=4200, focus_scale=scale),
        focuser=Focuser(um_per_step=1.0),
        filters=glass,
    )
    fits = [answered_fit(o, 0.5, id=f"{n}-1", filter=n) for n, o in offsets.items()]
    points = compare_sweeps(curve_set(fits), setup=setup).colour.points
    left = {p.filter: p.telescope_um.value for p in points}
    for name in bands:
        same = [left[f"{name}{t}"] for t in (3, 7, 13)]
        assert np.ptp(same) < 0.1
    assert left["B3"] - left["R3"] == pytest.approx(55, abs=0.1)  # C of B minus C of R


def test_the_thickness_rule_of_a_published_offset_list():
    # Nordic Optical Telescope, filter offsets: 19 focus units per mm of glass; H-beta 5.8 mm at 0,
    # H-alpha 6.3 mm at 19, [S II] 6.1 mm at 0, each known to 5-10 units. The 2.56 m f/11 telescope
    # is all mirrors: with the stated glass taken off, the three agree within those accuracies,
    # and H-alpha does not agree without.
    rows = {"Hbeta": (486.1, 5.8, 0.0), "Ha": (656.3, 6.3, 19.0), "SII": (672.4, 6.1, 0.0)}
    unit_um = 1e3 * plate_shift_mm(1.0, 1.52, 11.0) / 19
    setup = Setup(
        telescope=Telescope(focal_length_mm=11 * 2560.0, aperture_mm=2560.0),
        focuser=Focuser(um_per_step=unit_um),
        filters={
            n: FilterGlass(wavelength_nm=nm, bandwidth_nm=5, thickness_mm=t, refractive_index=1.52)
            for n, (nm, t, _) in rows.items()
        },
    )
    fits = [answered_fit(o, 7.5, id=f"{n}-1", filter=n) for n, (_, _, o) in rows.items()]
    points = {p.filter: p for p in compare_sweeps(curve_set(fits), setup=setup).colour.points}
    taken_off = (points["Ha"].shift_um.value - points["Hbeta"].shift_um.value) - (
        points["Ha"].telescope_um.value - points["Hbeta"].telescope_um.value
    )
    assert taken_off / unit_um == pytest.approx(0.5 * 19, rel=1e-6)
    for name in ("Ha", "SII"):
        left = points[name].telescope_um.value - points["Hbeta"].telescope_um.value
        assert abs(left) / unit_um < 1.5 * np.hypot(7.5, 7.5)


@pytest.mark.parametrize(
    ("nm", "index"), [(486.1327, 1.52238), (587.5618, 1.51680), (656.2725, 1.51432)]
)
def test_a_filter_of_unknown_glass_has_the_index_of_the_usual_crown(nm, index):
    # N-BK7, maker's data sheet: n_F, n_d and n_C.
    setup = Setup(filters={"X": FilterGlass(wavelength_nm=nm)})
    assert index_of("X", setup) == pytest.approx(index, abs=1e-5)
