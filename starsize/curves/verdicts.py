"""From the posterior of a night to the answer of each sweep, or why it has none.

Numbers, stable codes and what to do next; the words are put elsewhere.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, stdtrit

from ..estimate import NOT_KNOWN, Estimate, Finding
from .curve import FocusCurve
from .fitted import UNBOUNDED, CurveFit, LensColour, Verdict
from .night import Q
from .plain import fit_plain, wings_meet
from .play import Start
from .posterior import Posterior, radii_at
from .statistics import JITTERS, PRIORS, Scatter, log_usual

COMPANY = 3
"""Other sweeps that tell slope and seeing well enough to make up for a frame lost or wrecked."""
LEAST_POSITIONS, LEAST_FRAMES = 4, 5
OUTSIDE = 0.001  # a sweep answers only if best focus lies inside it with all but this probability
LARGEST_JITTER, RESTLESS, VAGUE = 0.35, 0.2, 0.2
"""Scatter about the curve that spoils any answer; and one that does if best focus is also known no
better than to this many floors of defocus (a curve may be odd in shape and yet sharp)."""
SURE = 0.5
LEAST_GAIN = 13.0
"""Twice the log likelihood ratio of curve to flat that chance hardly gives: of flat sweeps 1 % pass
11, of sweeps of seven positions that reach one floor none falls below 16."""
MOST_WRECKED = 0.34
"""A sweep that loses more of its frames than this share has no curve to lose them from."""
LOPSIDED = 0.1
"""A curve is asymmetric where its wings are centred off best focus by this part of a zone."""
RISEN = 1.5  # stars that differ by this factor are beyond what the seeing mostly does
APART = 4.0  # two directions disagree at this many sigma
BETTER = 3.0
"""The scatter must fall by this factor before another reading of the positions is believed, where
the one as written has a curve at all."""
SUSPECT = 0.12  # scatter from which on another reading is tried
SIGMA1, SIGMA2 = 0.682689492, 0.954499736
BEYOND = 0.001
"""Tail in which best focus may still lie: the bound handed on when a sweep is refused."""
HEAVIEST_TAIL = 2.77
"""Ratio of the 95.4 to the 68.3 % interval of Student's t with 3 degrees of freedom."""
STEEP, FEWEST_WING = 0.8, 12
"""A wing point: the radius grows by this part of the steepest; and how many it takes."""
LEAST_SPAN_NM = 100.0  # bands that span less do not tell of a lens' colour
BOTH_WAYS = 4.0
"""How far to each side, in smallest radii of defocus, the middle of the wings is looked for."""


class Summary(NamedTuple):
    """One sweep as the posterior has it, and what speaks against an answer."""

    fit: CurveFit  # as if it answered
    suspicion: np.ndarray  # of each frame that took part, the probability that it is wrecked
    below: float  # probabilities that best focus lies before the first or after the last position
    above: float
    gain: float  # see `_gain_over_flat`


def summarise(found: Posterior, row: int, *, curve: FocusCurve) -> Summary:
    """Read one sweep off the posterior; ``curve`` is what its fit stands for."""
    night, values = found.fit.night, found.fit.values
    mine = night.frames(row)
    # At the likeliest quantities: their mean would add up what no frame tells, such as the colour
    # of the lens from a single filter.
    position = night.places(values)[mine]
    places = curve.position_steps.copy()
    places[curve.usable] = position
    mixture = found.weight, found.best_steps[:, row], np.sqrt(found.covariance[:, row, row])
    tails = np.array([0.5, (1 - SIGMA1) / 2, (1 - SIGMA2) / 2, BEYOND])
    best, low68, low95, lowest = map(float, quantiles(*mixture, at=tails))
    _, high68, high95, highest = map(float, quantiles(*mixture, at=1 - tails))
    before, within = map(float, below(*mixture, at=np.array([position.min(), position.max()])))
    slope, sigma = shared_slope(found), max(high68 - low68, (high95 - low95) / HEAVIEST_TAIL)
    floor = float(radii_at(found.fit, np.array([best]), np.array([row]))[0])
    middle = _wing_centre(found, row, best, floor / slope.value)
    plain = fit_plain(replace(curve, position_steps=places))
    fit = CurveFit(
        curve=curve, verdict="good", answered=True, reason="", used=curve.usable, frame_reasons=(),
        model="star", best_steps=best, best_sigma_steps=sigma / 2,
        dof=matching_dof(high68 - low68, high95 - low95),
        interval68_steps=(low68, high68), interval95_steps=(low95, high95),
        floor_px=Estimate(floor, float(found.weight @ found.floor_spread[:, row])),
        slope_px_per_step=slope, jitter=found.usual(found.jitter), lack=found.usual(found.lack),
        chi2_reduced=_chi2(found, mine), wing_centre_steps=Estimate(middle, sigma / 2),
        hyperbola_steps=plain.hyperbola_steps, bound_steps=(lowest, highest),
        shape=night.shape(values, row),
    )  # fmt: skip
    gain = _gain_over_flat(found, mine)
    return Summary(fit, 1 - found.sound[mine], before, 1 - within, gain)


def below(weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray) -> np.ndarray:
    """Probability below each of k places, in a mixture of c normal distributions: (k,)."""
    return ndtr((np.asarray(at, float)[:, None] - mean) / sigma) @ weight


def quantiles(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray
) -> np.ndarray:
    """Where that distribution function reaches each of k probabilities: (k,)."""
    low = np.full(len(at), (mean - 9 * sigma).min())
    high = np.full(len(at), (mean + 9 * sigma).max())
    for _ in range(60):
        middle = (low + high) / 2
        short = below(weight, mean, sigma, at=middle) < at
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return (low + high) / 2


_DOF = np.concatenate([np.linspace(1, 10, 37), np.geomspace(10.5, 500, 40)])
_RATIO = stdtrit(_DOF, 0.5 + SIGMA2 / 2) / stdtrit(_DOF, 0.5 + SIGMA1 / 2)


def matching_dof(half68: float, half95: float) -> float:
    """Degrees of freedom of the Student distribution whose two half-widths stand in that ratio."""
    return float(np.interp(-half95 / half68, -_RATIO, _DOF))


def _wing_centre(found: Posterior, row: int, best: float, floor_steps: float) -> float:
    """Middle between the two positions where the curve is twice its smallest radius."""
    away = np.linspace(0, BOTH_WAYS * floor_steps, 30)
    places = best + np.concatenate([-away, away])
    radius = radii_at(found.fit, places, np.full(places.size, row)).reshape(2, -1)
    wings = np.maximum.accumulate(radius, axis=1)
    before, after = (float(np.interp(2 * wing[0], wing, away)) for wing in wings)
    return best + (after - before) / 2


def _chi2(found: Posterior, mine: np.ndarray) -> float:
    """Misfit of the sound frames over star noise and the scatter found, reduced."""
    fit, sound = found.fit, found.sound[mine]
    scatter = fit.scatter(found.usual(found.jitter), found.usual(found.lack))
    square = fit.miss_px**2 / (scatter.sound + scatter.common**2)
    return float(sound @ square[mine] / max(sound.sum() - 3, 1))


def _gain_over_flat(found: Posterior, mine: np.ndarray) -> float:
    """Twice the log likelihood ratio of a sweep's curve to stars that only the seeing changes.

    Each at the scatter of the seeing that suits it best, what is usual of it taken into account.
    """
    fit, night, lack = found.fit, found.fit.night, found.usual(found.lack)
    radius = night.radius_px[mine]
    own, wild = night.sigma_px[mine] ** 2 + (lack * radius) ** 2, (PRIORS.wreck_size * radius) ** 2

    def best(expected: np.ndarray, by_log_seeing: np.ndarray) -> float:
        common = JITTERS[:, None] * by_log_seeing
        belief = Scatter(own, wild, common, night.exposure[mine]).believe(radius - expected)
        return float(np.max(belief.log_likelihood.sum(axis=1) + log_usual(JITTERS, lack)))

    flat = np.full(radius.size, np.median(radius))
    return 2 * (best(fit.radius_px[mine], fit.by_log_seeing[mine]) - best(flat, flat))


def shared_slope(found: Posterior) -> Estimate:
    """Slope of the half-flux radius far from focus, pixels per step."""
    share = np.sqrt((1 + found.fit.night.telescope.obstruction**2) / 2)
    log_slope = found.quantity(Q.LOG_SLOPE)
    value = float(np.exp(log_slope.value) * share)
    return Estimate(value, value * log_slope.sigma)


def lens_colour(found: Posterior) -> LensColour | None:
    """Read the lens off the posterior; None where the bands span too little to tell.

    A colour focuses where the disc that its defocus makes vanishes: at the position
    (c . terms) / rho beyond that of 550 nm, c the lens' colour in pixels and rho the blur in pixels
    per step (`optics.star.colour_terms`).
    """
    bands = found.fit.night.bands
    low = min(band.wavelength_nm - band.width_nm / 2 for band in bands)
    high = max(band.wavelength_nm + band.width_nm / 2 for band in bands)
    if high - low < LEAST_SPAN_NM:
        return None
    per_step = float(np.exp(found.weight @ found.values[:, Q.LOG_SLOPE]))
    middle, known = found.moments(found.values[:, Q.COLOUR], found.known[:, Q.COLOUR, Q.COLOUR])
    return LensColour(
        span_nm=(low, high),
        terms_steps=middle / per_step,
        covariance_steps2=known / per_step**2,
        spherical_waves=found.quantity(Q.SPHERICAL),
    )


def correlation(found: Posterior) -> np.ndarray:
    """Correlation of best foci: (m, m)."""
    total = found.moments(found.best_steps, found.covariance)[1]
    scale = np.sqrt(np.diag(total))
    return total / np.outer(scale, scale)


def placement(found: Posterior) -> Estimate:
    """How exactly single positions are reached, steps: scatter of steep wing points.

    Mean over the wings of (miss / slope)^2 less what stars and seeing explain, with the freedom
    that the fit took up; its own uncertainty that of a mean of squares. What the model lacks counts
    too: an upper bound. Not known with fewer than `FEWEST_WING` points, or below its own noise.
    """
    fit, night = found.fit, found.fit.night
    rise = np.abs(fit.slopes[:, Q.ZERO])
    steep = (rise > STEEP * rise[~night.inner].max()) & (found.sound > 0.5) & ~night.inner
    count, taken = int(steep.sum()), 3 * len(night.bands) + 6
    free = 1 - taken / np.sum(~night.inner)
    if count < FEWEST_WING or free <= 0:
        return NOT_KNOWN
    jitter = found.usual(found.jitter)
    noise = (night.sigma_px**2 + (jitter * fit.by_log_seeing) ** 2)[steep] / rise[steep] ** 2
    seen = (fit.miss_px[steep] / rise[steep]) ** 2 / free
    square = float(np.mean(seen - noise))
    doubt = float(np.mean(noise) + max(square, 0.0)) * np.sqrt(2 / (count * free))
    if square < doubt:
        return NOT_KNOWN
    return Estimate(float(np.sqrt(square)), doubt / (2 * float(np.sqrt(square))))


def refuse_before_fitting(curve: FocusCurve, *, others: int = 0) -> CurveFit | None:
    """Refuse a sweep that has too few frames or positions for any fit; else None.

    ``others`` is the number of sweeps fitted with it that have enough frames of their own.
    """
    good = curve.usable
    positions, frames = np.unique(curve.position_steps[good]), int(good.sum())
    lost_one = others >= COMPANY and good.size >= LEAST_FRAMES
    if frames >= LEAST_FRAMES - lost_one and positions.size >= LEAST_POSITIONS:
        return None
    facts = {"frames": frames, "positions": int(positions.size)}
    at_steps = float(positions[0]) if positions.size == 1 else None
    return CurveFit(
        curve=curve, verdict="too_few_positions", answered=False,
        reason=Finding("too_few_positions", **facts, at_steps=at_steps),
        used=np.zeros(good.size, bool),
        frame_reasons=tuple(None if ok else Finding("no_usable_radius") for ok in good),
    )  # fmt: skip


def judge(found: Summary, start: Start, *, zone_steps: float) -> CurveFit:
    """Turn the numbers of a sweep into its answer, or its refusal."""
    curve = found.fit.curve
    good = curve.usable
    suspicion = np.zeros(good.size)
    suspicion[good] = found.suspicion
    early = np.cumsum(good) <= start.standing
    moving = good & ~(early & start.play.is_known)
    used = moving & (suspicion < SURE)
    reasons = tuple(map(_frame_reason, good, moving, suspicion, early))
    fit = replace(found.fit, used=used, frame_reasons=reasons)
    lost = 1 - float(used.sum() / moving.sum())
    verdict, reason = _verdict(found._replace(fit=fit), zone_steps=zone_steps, lost=lost)
    if verdict not in ("good", "asymmetric"):
        return refuse(fit, verdict, reason, bound_steps=_bound(verdict, found))
    fit = replace(fit, verdict=verdict, reason=reason, v_steps=wings_meet(fit))
    if start.standing and start.play.is_known:
        said = Finding("play_at_start", answer=reason, frames=start.standing, play=start.play)
        fit = replace(fit, play_steps=start.play, reason=said)
    return fit


def refuse(
    fit: CurveFit, verdict: Verdict, reason: str, *, bound_steps: tuple[float, float] = UNBOUNDED
) -> CurveFit:
    """Take an answer back: what followed from it is no longer known."""
    kept = ("curve", "used", "frame_reasons", "model", "jitter", "lack", "chi2_reduced", "shape")
    return CurveFit(
        verdict=verdict,
        answered=False,
        reason=reason,
        bound_steps=bound_steps,
        **{name: getattr(fit, name) for name in kept},
    )


def _verdict(found: Summary, *, zone_steps: float, lost: float) -> tuple[Verdict, Finding]:
    """What the frames that are used allow to say."""
    fit = found.fit
    position, radius = (c[fit.used] for c in (fit.curve.position_steps, fit.curve.radius_px))
    if lost > MOST_WRECKED:
        return "not_repeatable", Finding("frames_lost", percent=100 * lost)
    low, high = float(position.min()), float(position.max())
    if (found.below > OUTSIDE and found.above > OUTSIDE) or found.gain < LEAST_GAIN:
        grown = float(radius.max() / radius.min())
        if grown > RISEN:
            return "not_repeatable", Finding("no_smooth_curve", grown=grown)
        return "too_narrow", _too_narrow(fit, high - low)
    if found.below > OUTSIDE or found.above > OUTSIDE:
        return "not_bracketed", _not_bracketed(found, low, high)
    vague = fit.best_sigma_steps * fit.slope_px_per_step.value / fit.floor_px.value
    if fit.jitter > LARGEST_JITTER or (fit.jitter > RESTLESS and vague > VAGUE):
        return "not_repeatable", Finding("frames_scatter", percent=100 * fit.jitter)
    best, middle = Estimate(fit.best_steps, fit.best_sigma_steps), fit.wing_centre_steps.value
    facts = {"best": best, "frames": position.size}
    if abs(middle - best.value) > max(LOPSIDED * zone_steps, 2 * best.sigma):
        return "asymmetric", Finding("best_focus_lopsided", **facts, middle_steps=middle)
    return "good", Finding("best_focus", **facts)


def _not_bracketed(found: Summary, low: float, high: float) -> Finding:
    higher, span = found.above > found.below, high - low
    edge = high if higher else low
    return Finding(
        "not_bracketed",
        edge_steps=edge,
        higher=higher,
        further_steps=float(min(abs(found.fit.best_steps - edge) + span / 4, span)),
        sure=max(found.below, found.above) > SURE,
    )


def _too_narrow(fit: CurveFit, span: float) -> Finding:
    slope = fit.slope_px_per_step.value
    needed = 2 * 2.5 * fit.floor_px.value / slope if slope > 0 else float("inf")
    if not span < needed <= 20 * span:
        needed = 3 * span
    return Finding("too_narrow", span_steps=span, needed_steps=float(needed))


def _bound(verdict: Verdict, found: Summary) -> tuple[float, float]:
    (low, high), (lowest, highest) = UNBOUNDED, found.fit.bound_steps
    if verdict != "not_bracketed":
        return UNBOUNDED
    return (lowest, high) if found.above > found.below else (low, highest)


def _frame_reason(usable: bool, moving: bool, doubt: float, early: bool) -> Finding | None:
    """Why a frame was left out or weighed down; ``early``: play would explain it."""
    if not usable:
        return Finding("no_usable_radius")
    if not moving:
        return Finding("play_taken_up")
    if doubt >= SURE:
        return Finding("wreck_or_play") if early else Finding("off_curve", doubt=float(doubt))
    return Finding("perhaps_off_curve", percent=float(100 * doubt)) if doubt >= 0.1 else None


def order_conflict(
    curve: FocusCurve, fit: CurveFit, *, refit: Callable[[FocusCurve], CurveFit]
) -> Finding | None:
    """Why the order of a sweep spoils it, or None.

    Only a sweep that turned round or jumped to and fro can tell. Its outward and inward frames may
    have foci of their own (play), or each radius may belong to the position of the frame before
    (a header written too early). ``refit`` fits one curve.
    """
    moves = np.diff(curve.position_steps)
    if np.all(moves >= 0) or np.all(moves <= 0):
        return None
    lost = fit.verdict == "not_repeatable"
    for shift, which in ((1, "before"), (-1, "after")) if lost or fit.jitter > SUSPECT else ():
        moved = replace(curve, position_steps=np.roll(curve.position_steps, shift))
        again = refit(moved.part(slice(1, None) if shift == 1 else slice(None, -1)))
        if again.answered and (lost or again.jitter < fit.jitter / BETTER):
            return Finding("late_header", which=which)
    arrived = np.append(0.0, moves)
    up, down = (refit(curve.part(side)) for side in (arrived > 0, arrived < 0))
    apart = down.best_steps - up.best_steps
    sigma = float(np.hypot(up.best_sigma_steps, down.best_sigma_steps))
    if not (up.answered and down.answered) or abs(apart) < APART * sigma:
        return None
    between = Estimate(abs(apart), sigma)
    return Finding("two_foci", up_steps=up.best_steps, down_steps=down.best_steps, apart=between)
