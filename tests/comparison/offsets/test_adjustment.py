"""The adjustment against metrology's worked examples, and its own invariances."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from starsize.comparison import Term, adjust, best_focus_data
from starsize.comparison.linear import System, own_axes


def at_the_likeliest_scatter(y, design, own=1e-20):
    """The textbook answer, by the adjustment's solver at the scatter of largest likelihood."""
    axes = own_axes(own * np.eye(len(y)), np.eye(len(y)))
    nothing = np.zeros(design.shape[1])
    system = System(np.asarray(y, float), design, nothing, nothing + np.inf, axes)

    def solved(log_scatter):
        return system.solve(np.exp(log_scatter))

    span = np.log(np.std(y))
    likeliest = minimize_scalar(
        lambda s: -float(solved(s).log_likelihood[0]),
        bounds=(span - 9, span + 3),
        method="bounded",
        options={"xatol": 1e-11},
    )
    found = solved(likeliest.x)
    return found.mean[0], found.covariance[0], float(np.exp(likeliest.x))


def test_the_thermometer_calibration_of_the_gum_through_the_temperature_term():
    # JCGM 100:2008, H.3, all printed digits; further digits by GTC 1.5.1.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    design = np.stack([np.ones(11), np.array(t) - 20], 1)
    mean, covariance, scatter = at_the_likeliest_scatter(b, design)
    y1, y2 = mean
    (u1, u2), r = np.sqrt(np.diag(covariance)), covariance[0, 1]
    assert (round(y1, 4), round(u1, 4)) == (-0.1712, 0.0029)
    assert (round(y2, 5), round(u2, 5)) == (0.00218, 0.00067)
    assert round(r / (u1 * u2), 3) == -0.930
    assert round(scatter, 4) == 0.0035
    at_30 = np.array([1.0, 10.0])
    assert round(at_30 @ mean, 4) == -0.1494
    assert round(np.sqrt(at_30 @ covariance @ at_30), 4) == 0.0041
    # The further digits.
    np.testing.assert_allclose(mean, [-0.17120379013, 0.00218269774], rtol=1e-8)
    np.testing.assert_allclose([u1, u2], [0.00287759783516, 0.000667938773], rtol=1e-6)
    assert scatter == pytest.approx(0.003497563963505, rel=1e-6)
    # The adjustment of a night says the same, its scatter averaged over: 9 degrees of freedom.
    warmer = Term(name="temperature", column=np.array(t) - 20.0)
    night = adjust(best_focus_data(b, temperature_degC=t), (warmer,), scatter=0.0035)
    assert night.dof == 9
    assert night.term("temperature").value == pytest.approx(y2, rel=1e-3)
    # Student's t: 1.06 for 68.27 % and 9 degrees of freedom (JCGM 100:2008, table G.2).
    assert night.term("temperature").sigma == pytest.approx(1.06 * u2, rel=0.01)


def test_between_and_within_days_of_the_gum():
    # JCGM 100:2008, H.5 (from memory, consistent when recomputed): 10 days of 5 readings. Scatter
    # of the day means 57.09 uV, pooled within days 84.89: between days 42.64 (printed 43), and
    # the mean 97.1 with u = 18.05 (printed 18).
    means = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41.0])
    within = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86.0])
    pooled = np.sqrt(np.mean(within**2))
    assert pooled == pytest.approx(84.89, abs=0.01)
    found = adjust(best_focus_data(means, pooled**2 / 5), scatter=40.0)
    mean, covariance, between = at_the_likeliest_scatter(means, np.ones((10, 1)), own=pooled**2 / 5)
    assert mean[0] == pytest.approx(97.1)
    assert between == pytest.approx(42.64, abs=0.01)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(18.05, abs=0.01)
    # F test of the same numbers: s_a^2 / s_b^2 = 2.26 (5 means of 57.09 against 84.89).
    assert 5 * np.var(means, ddof=1) / pooled**2 == pytest.approx(2.26, abs=0.01)
    assert found.birge_ratio**2 == pytest.approx(2.26, abs=0.01)


KAON_MEV = np.array([493.657, 493.670, 493.640, 493.636, 493.691, 493.696])
KAON_SIGMA = np.array([0.020, 0.029, 0.054, 0.011, 0.040, 0.007])


def test_the_birge_ratio_of_the_charged_kaon_mass():
    # Inputs of the Particle Data Group's average (from memory): mean 493.6766, internal error
    # 0.0055, chi-square 22.905 with 5 degrees of freedom, Birge ratio 2.140.
    found = adjust(best_focus_data(KAON_MEV, KAON_SIGMA**2), scatter=0.02)
    assert found.chi2 == pytest.approx(22.905, abs=0.001)
    assert found.dof == 5
    assert found.birge_ratio == pytest.approx(2.140, abs=0.001)


def test_the_scale_factor_of_the_particle_data_group():
    # Their rule leaves inputs with more than 3 sqrt(N) times the error of the mean out of the
    # scale factor: 0.0403 here. S = 2.369, printed 2.4.
    mean_error = np.sum(KAON_SIGMA**-2) ** -0.5
    assert mean_error == pytest.approx(0.0055, abs=1e-4)
    kept = 3 * np.sqrt(6) * mean_error > KAON_SIGMA
    assert kept.sum() == 5
    found = adjust(best_focus_data(KAON_MEV[kept], KAON_SIGMA[kept] ** 2), scatter=0.02)
    assert found.birge_ratio == pytest.approx(2.369, abs=0.001)


def test_scatter_widens_the_mean_as_much_as_the_external_error_does():
    # Same inputs: internal error 0.0055, external (Birge) 0.0117; PDG quotes 493.677 +- 0.013.
    found = adjust(best_focus_data(KAON_MEV, KAON_SIGMA**2), scatter=0.02)
    interval = found.intervals(np.eye(1))[0]
    assert interval.value == pytest.approx(493.677, abs=0.013)
    assert 0.0105 < interval.sigma < 0.016


def seven_with_three_l(rng):
    filters = ("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L")
    temperature = np.linspace(12, 8, 9)
    truth = {"L": 0, "R": 3, "G": -2, "B": 6, "Ha": 4, "SII": 5, "OIII": 80}
    position = 9000 + np.array([truth[f] for f in filters]) - 6 * temperature
    position = position + rng.normal(0, 1.5, 9)
    data = best_focus_data(position, 1.0, filters=filters, temperature_degC=temperature)
    return data, (Term(name="temperature", column=temperature - temperature.mean()),)


def test_differences_of_offsets_close_whatever_the_reference():
    data, terms = seven_with_three_l(np.random.default_rng(1))
    found = adjust(data, terms, scatter=1.0)
    at = {ref: found.offsets(ref) for ref in "LRB"}
    for name in found.filters:
        left = at["L"][name].value
        assert left == pytest.approx(at["L"]["R"].value + at["R"][name].value, abs=1e-9)
    assert at["L"]["B"].value == pytest.approx(-at["B"]["L"].value, abs=1e-9)
    assert at["L"]["B"].sigma == pytest.approx(at["B"]["L"].sigma, rel=1e-6)
    assert at["R"]["R"].value == 0
    assert at["R"]["R"].sigma == pytest.approx(0, abs=1e-9)


def test_offsets_do_not_depend_on_where_the_count_starts_nor_on_the_unit():
    data, terms = seven_with_three_l(np.random.default_rng(2))
    plain = adjust(data, terms, scatter=1.0).offsets("L").values()
    moved = best_focus_data(
        10 * data.position_steps + 77_000, 100.0, filters=data.filters, ids=data.ids
    )
    again = adjust(moved, terms, scatter=10.0).offsets("L").values()
    for a, b in zip(plain, again, strict=True):
        np.testing.assert_allclose(
            [10 * a.value, 10 * a.sigma, 10 * a.half95], [b.value, b.sigma, b.half95], atol=1e-4
        )


def test_rounding_is_no_scatter_where_repeats_agree_to_the_digit():
    found = [
        adjust(
            best_focus_data(at + np.array([0, 5, 0, 5.0]), 1.0, filters=tuple("LRLR")), scatter=1
        )
        for at in (0.0, 77_000.123)
    ]
    assert found[1].scatter.value == pytest.approx(found[0].scatter.value, rel=1e-6)
    assert found[1].chi2 == pytest.approx(0, abs=1e-12)


def test_the_covariance_has_the_stated_sigmas_on_its_diagonal():
    data, terms = seven_with_three_l(np.random.default_rng(3))
    found = adjust(data, terms, scatter=1.0)
    covariance = found.covariance_of(found.contrasts("L"))
    sigmas = [o.sigma for o in found.offsets("L").values()]
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), sigmas, atol=1e-9)
    assert np.all(np.linalg.eigvalsh(covariance) > -1e-9)
    np.testing.assert_allclose(covariance[found.filters.index("L")], 0, atol=1e-9)


def test_with_many_repeats_the_answer_is_that_of_generalised_least_squares():
    rng = np.random.default_rng(4)
    filters = ("L", "R") * 200
    position = np.where(np.array(filters) == "R", 7.0, 0.0) + rng.normal(0, 2.0, 400)
    found = adjust(best_focus_data(position, 1.0, filters=filters), scatter=1.0)
    offset = found.offsets("L")["R"]
    plain = position[1::2].mean() - position[::2].mean()
    assert offset.value == pytest.approx(plain, abs=1e-6)
    error = (
        2 * np.sqrt(2 / 200) * np.std(position - np.repeat([0, 7], 200).reshape(2, -1).T.ravel())
    )
    assert offset.sigma == pytest.approx(error / 2, rel=0.03)
    assert offset.half95 / offset.sigma == pytest.approx(1.96, rel=0.02)
    assert found.scatter.value == pytest.approx(np.sqrt(3), rel=0.1)


def test_channels_of_the_same_exposures_share_the_focusers_scatter():
    # Two sweeps of a colour camera whose focuser came back 40 steps off: the colours are known
    # to the fits' own uncertainty all the same.
    position = [100, 103, 140.1, 143]
    apart = best_focus_data(position, 0.01, filters=tuple("RGRG"))
    shared = replace(apart, exposure_set=np.array([0, 0, 1, 1]))
    apart = best_focus_data(position, 0.01, filters=tuple("RGRG"))
    sigma = {
        name: adjust(data, scatter=1.0).offsets("R")["G"].sigma
        for name, data in (("shared", shared), ("apart", apart))
    }
    assert sigma["shared"] == pytest.approx(0.1, rel=0.15)
    assert sigma["apart"] > 10


def test_few_degrees_of_freedom_behind_the_fits_widen_the_outer_interval():
    known = best_focus_data([0, 5], [4.0, 4.0], filters=("L", "R"))
    guessed = best_focus_data([0, 5], [4.0, 4.0], filters=("L", "R"))
    guessed = replace(guessed, dof=np.full(2, 3.0))
    one, other = (adjust(d, scatter=0.01).offsets("L")["R"] for d in (known, guessed))
    # Student's t with 6 effective degrees of freedom: 2.447 against 1.960 (tables).
    assert one.half95 == pytest.approx(1.960 * np.sqrt(8), rel=1e-3)
    assert other.half95 == pytest.approx(2.447 * np.sqrt(8), rel=1e-3)


def test_a_bounded_term_is_covered_wherever_in_the_bound_it_lies():
    column = np.array([0.0, -2.0])
    drift = Term(name="temperature", column=column, source="bound", bound=6.0)
    found = adjust(best_focus_data([0, 5], 0.25, filters=("L", "R")), (drift,), scatter=0.001)
    offset = found.offsets("L")["R"]
    # Anywhere within a bound is known to it over the root of 3 (JCGM 100:2008, 4.3.7).
    assert offset.sigma == pytest.approx(np.sqrt(12**2 / 3 + 0.5), rel=1e-3)
    assert offset.half95 == pytest.approx(12 + 1.96 * np.sqrt(0.5), rel=1e-3)
