"""Sweeps of one telescope, fitted together."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves import fit_curve, fit_curves, focus_curve
from starsize.curves.batch import JITTERS
from starsize.curves.catalogue import symmetric_families
from starsize.curves.joint import make_batch, usable_points
from starsize.curves.mixture import normalised
from starsize.curves.posterior import explain, no_prior
from starsize.curves.sharing import (
    JITTER_SPREAD,
    RESTLESS,
    STEADIER,
    WILD,
    droop_alone,
    pool,
    weigh_jitter,
)

from .helpers import sweep


def seven(positions=5, seed=0, spread=35, **cell):
    rng = np.random.default_rng(seed)
    best = 1000 + rng.uniform(-spread, spread, 7)
    curves = [
        sweep(best=b, positions=positions, seed=100 * seed + i, name=f"s{i}", **cell)
        for i, b in enumerate(best)
    ]
    return best, curves


def test_five_point_sweeps_are_better_together_than_alone():
    together, alone = [], []
    for seed in range(12):
        best, curves = seven(seed=seed, half=80.0, jitter=0.12, spread=20)
        both = fit_curves(curves).fits, [fit_curve(c) for c in curves]
        for fits, errors in zip(both, (together, alone), strict=True):
            errors.append([f.best_steps - b for f, b in zip(fits, best, strict=True)])
    one, other = (np.sqrt(np.nanmean(np.square(e))) for e in (together, alone))
    # scripts/precision.py: 1.03 to 1.08 against 1.12 to 1.39 of the joint bound in cells like this
    assert one < 0.98 * other


def test_the_shared_slope_is_told_with_its_uncertainty():
    _, curves = seven(positions=9)
    shared = fit_curves(curves).slope_px_per_step
    assert abs(shared.value - 0.05) < 4 * shared.sigma
    assert shared.sigma < 0.001


def test_off_centre_sweeps_are_tied_through_the_slope():
    """Both best foci move when the slope moves: to the same side, so their errors go together."""
    curves = [sweep(best=1090, seed=s, positions=7, name=str(s)) for s in range(3)]
    found = fit_curves(curves)
    sigma = np.sqrt(np.diag(found.covariance_steps2))
    correlation = found.covariance_steps2 / np.outer(sigma, sigma)
    assert_allclose(sigma, [f.best_sigma_steps for f in found.answered])
    assert 0.002 < correlation[0, 1] < 0.9
    assert np.linalg.eigvalsh(found.covariance_steps2).min() > 0


def test_a_filter_whose_slope_disagrees_is_fitted_alone_and_reported():
    _, curves = seven(positions=9)
    odd = sweep(best=1012, slope=0.065, positions=9, name="odd", band="SII", half=150)
    found = fit_curves([*curves, odd])
    assert [n.code for n in found.notices] == ["slope_disagrees"]
    assert "odd (SII): its wings rise by" in found.notices[0].text
    assert_allclose(found.fits[-1].slope_px_per_step.value, 0.065, rtol=0.02)
    assert abs(found.fits[-1].best_steps - 1012) < 4 * found.fits[-1].best_sigma_steps
    assert_allclose(found.slope_px_per_step.value, 0.05, rtol=0.02)


def test_order_of_the_curves_does_not_matter():
    _, curves = seven(positions=7)
    forth, back = fit_curves(curves), fit_curves(curves[::-1])
    assert_allclose(
        [f.best_steps for f in forth.fits], [f.best_steps for f in back.fits[::-1]], rtol=1e-9
    )


def test_refused_sweeps_stay_in_their_place_and_out_of_the_covariance():
    _, curves = seven(positions=7)
    found = fit_curves([curves[0], sweep(best=1400), curves[1], sweep(positions=3)])
    assert [f.answered for f in found.fits] == [True, False, True, False]
    assert found.covariance_steps2.shape == (2, 2)


def test_the_pool_leaves_every_member_out_of_its_own_prior():
    value, sigma = np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 1.0])
    found = pool(value, sigma, least_spread=0.01, usable=np.ones(3, bool))
    assert_allclose(found.mean, [2.5, 2.0, 1.5])
    assert_allclose(found.overall.value, 2.0)


def test_the_pool_puts_out_who_disagrees():
    value, sigma = np.array([1.0, 1.02, 0.99, 1.6]), np.full(4, 0.02)
    found = pool(value, sigma, least_spread=0.004, usable=np.ones(4, bool))
    assert list(found.member) == [True, True, True, False]
    assert_allclose(found.overall.value, 1.003, atol=0.003)


def test_a_five_point_sweep_that_lost_a_frame_is_answered_in_company_only():
    """scripts/precision.py, part five: 1.1 times the joint bound; alone its interval lies."""
    within = []
    for seed in range(6):
        best, curves = seven(seed=seed, half=100.0, spread=20)
        radius = curves[3].radius_px.copy()
        radius[seed % 5] = np.nan
        curves[3] = replace(curves[3], radius_px=radius)
        fit = fit_curves(curves).fits[3]
        assert fit.answered
        within.append((fit.best_steps - best[3]) / fit.best_sigma_steps)
        assert fit_curve(curves[3]).verdict == "too_few_positions"
        assert not fit_curves(curves[2:5]).fits[1].answered
    assert np.sqrt(np.mean(np.square(within))) < 2


def test_what_is_known_of_the_jitter_counts_once_however_many_sweeps():
    """Against the sum over all jitters of two sweeps and the one that they share, written out."""
    batch = make_batch(curves := seven(positions=9)[1][:2], [usable_points(c) for c in curves])
    alone = explain(batch, symmetric_families("hyperbola", 0.0), prior=no_prior(batch))
    before = (1 + JITTERS / RESTLESS) * np.exp(-((JITTERS / WILD) ** 2))
    before[0] *= STEADIER
    level = np.arange(JITTERS.size) == alone.jitter[:, None]
    says = np.exp(alone.log_weight - alone.log_weight.max()) @ level
    lone = normalised(weigh_jitter(alone, together=False)) @ level
    assert_allclose(lone, says * before / (says @ before)[:, None], rtol=1e-9)
    common, own = np.meshgrid(np.log(JITTERS), np.log(JITTERS), indexing="ij")
    spread = np.exp(-0.5 * ((own - common) / JITTER_SPREAD) ** 2)
    spread /= spread.sum(axis=1, keepdims=True)
    first = np.einsum("c,co,o,cp,p->o", before, spread, says[0], spread, says[1])
    both = normalised(weigh_jitter(alone, together=True)) @ level
    assert_allclose(both[0], first / first.sum(), rtol=1e-9)


def test_four_positions_stay_too_few_in_any_company():
    _, curves = seven(positions=7)
    assert fit_curves([*curves, sweep(positions=4)]).fits[-1].verdict == "too_few_positions"


def falling_short(curve, droop):
    """The curve with wings that fall short of geometry by so many floors (diffraction does it)."""
    u = 0.05 * (curve.position_steps - 1000) / 2.0
    return replace(curve, radius_px=curve.radius_px - droop * 2.0 * u**2 / (1 + u**2))


@pytest.mark.parametrize("droop", [0.0, 0.2])
def test_wings_falling_short_alike_are_known_from_all_sweeps(droop):
    curves = [
        falling_short(sweep(positions=11, seed=i, half=200.0, jitter=0.03), droop) for i in range(7)
    ]
    families = symmetric_families("auto", 0.0)
    batch = make_batch(curves, [usable_points(c) for c in curves])
    first = explain(batch, families, prior=no_prior(batch))
    weight = normalised(weigh_jitter(first, together=True))
    value, sigma, tells = droop_alone(first, weight, families[0])
    assert tells.all()
    found = pool(value, sigma, least_spread=0.03, usable=tells).overall
    assert abs(found.value - droop) < 3 * found.sigma
    assert found.sigma < 0.6 * np.median(sigma)


def test_sweeps_of_five_agree_on_the_curve_of_their_telescope():
    """Drawn from hyperbolas: what few sweeps see alone, all do together."""
    alone, together = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        position = np.linspace(840, 1160, 5)
        drawn = []
        for _ in range(7):
            floor = 2 * (1 + 0.03 * rng.standard_normal(5))
            best = 1000 + 20 * rng.standard_normal()
            radius = np.hypot(floor, 0.05 * (position - best))
            noisy = radius * (1 + 0.003 * rng.standard_normal(5))
            drawn.append(focus_curve(position, noisy, 0.003 * radius))
        alone += [fit_curve(c).model == "hyperbola" for c in drawn]
        together += [fit.model == "hyperbola" for fit in fit_curves(drawn).fits]
    assert np.mean(together) > np.mean(alone) + 0.2
