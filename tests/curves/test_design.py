"""The covariance at a design that nobody has measured: against the fit's own, and closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves import Known, focus_curve, inner_radii
from starsize.curves.design import STAR_NOISE_POWER, Outlook, _values, design_of
from starsize.curves.night import build_night
from starsize.curves.posterior import best_focus, fit_at, normal_equations

KNOWN = Known(focal_ratio=5.5, pixel_um=3.76, um_per_step=4.0)
AWAY = np.arange(-80.0, 81.0, 8.0)
OUTLOOK = Outlook(telescope=KNOWN, floor_px=1.3, star_noise={"L": 0.01, "R": 0.02})


#: An achromat's, in the terms of ``optics.star.colour_terms``.
COLOURED = replace(OUTLOOK, floor_px=1.6, colour_um=(50.0, 300.0, 0.0))


@pytest.fixture(scope="module")
def design():
    return design_of(["L", "R"], AWAY, outlook=OUTLOOK)


def counts(*places):
    return np.array([sum(p == a for p in places) for a in AWAY])


@pytest.mark.parametrize("outlook", [OUTLOOK, COLOURED], ids=["no colour", "achromat"])
def test_it_is_the_covariance_of_the_fit_of_a_night_taken_so(outlook):
    """Two sweeps of L about one of R, through the equations that the fit itself solves."""
    design = design_of(["L", "R"], AWAY, outlook=outlook)
    order = ["L", "R", "L"]
    radii = dict(zip(design.filters, design.radius_px, strict=True))
    curves = [
        focus_curve(
            AWAY,
            radii[name],
            outlook.star_noise[name]
            * radii["L"].min()
            * (radii[name] / radii["L"].min()) ** STAR_NOISE_POWER,
            filter=name,
            id=f"{name}-{k}",
        )
        for k, name in enumerate(order)
    ]
    curves = [
        replace(c, inner=inner_radii(0.6 * c.radius_px, c.radius_px, c.to_fit())) for c in curves
    ]
    night = build_night(curves, known=KNOWN, bands={})
    values = _values(night, KNOWN.slope_px_per_step, outlook)
    night = replace(night, radius_px=night.radii(values)[0])
    fit = fit_at(night, values)
    normal = normal_equations(fit, fit.scatter(0.05, 0.004))[0]
    lever = best_focus(night, values)[1]
    wanted = lever @ np.linalg.inv(normal) @ lever.T
    assert_allclose(best_focus(night, values)[0], 0.0, atol=0.3)
    each = np.ones(AWAY.size, int)
    found = design.covariance([(name, each) for name in order])
    # The spread of defocus starts from the guessed floor, which differs by the curves' noise, and
    # best foci are searched for.
    assert_allclose(np.sqrt(np.diag(found)), np.sqrt(np.diag(wanted)), rtol=0.06)
    difference = np.array([1.0, -1.0, 0.0])
    assert_allclose(difference @ found @ difference, difference @ wanted @ difference, rtol=0.02)


def test_far_from_focus_it_is_what_geometry_and_the_propagation_of_errors_give():
    """R = slope |x - b|: n frames of noise s on both wings give b to s / (slope sqrt(n)).

    Wings by geometry (Smith, Modern Optical Engineering, defocus -- from memory), propagation by
    JCGM 100:2008, 5.1.2. The difference of two sweeps, so that what they share drops out.
    """
    calm = Outlook(telescope=KNOWN, floor_px=1.0, star_noise={"L": 0.01}, jitter=1e-4, lack=1e-6)
    away = np.arange(-200.0, 201.0, 20.0)
    design = design_of(["L"], away, outlook=calm)
    wings = np.where(np.isin(np.abs(away), [160, 180]), 2, 0)
    covariance = design.covariance([("L", wings), ("L", wings)])
    found = np.sqrt(np.array([1, -1]) @ covariance @ np.array([1, -1]))
    slope = KNOWN.slope_px_per_step / np.sqrt(2)
    radius = slope * 170
    noise = 0.01 * (radius / 1.0) ** STAR_NOISE_POWER
    geometry = np.sqrt(2) * noise / slope / np.sqrt(8)
    # Frames are held wrecked with 3 %, and the seeing of each sweep is its own; the rings of
    # diffraction let the inner radius tell something too.
    assert 0.8 * geometry < found < 1.06 * geometry


def test_twice_the_frames_tell_twice_as_much_where_only_they_count(design):
    once, twice = (design.covariance([("L", k * counts(-64, -48, 48, 64))] * 2) for k in (1, 2))
    contrast = np.array([1.0, -1.0])
    assert_allclose(contrast @ once @ contrast, 2 * contrast @ twice @ contrast, rtol=0.1)


def test_the_floor_is_as_asked(design):
    assert_allclose(design.radius_px[0].min(), 1.3, rtol=0.01)


def test_a_star_smaller_than_diffraction_allows_is_refused():
    with pytest.raises(ValueError, match="at least"):
        design_of(
            ["L"], AWAY, outlook=Outlook(telescope=KNOWN, floor_px=0.2, star_noise={"L": 0.01})
        )


def test_a_telescope_without_step_size_is_refused():
    with pytest.raises(ValueError, match="step size"):
        design_of(["L"], AWAY, outlook=Outlook(
            telescope=Known(focal_ratio=5.5), floor_px=1.3, star_noise={"L": 0.01}
        ))  # fmt: skip
