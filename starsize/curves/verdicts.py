"""Does a sweep answer, and if not, what to do next: stable codes and plain sentences."""

from dataclasses import replace

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from .crosschecks import wings_meet
from .curve import FocusCurve
from .fitted import CurveFit, Verdict
from .play import FlatStart, play_from, short_play
from .prediction import radius_at
from .summary import Summary

COMPANY = 3
"""Other sweeps that tell slope and seeing well enough to make up for a frame lost or wrecked."""
LEAST_POSITIONS = 4
LEAST_FRAMES = 5
OUTSIDE = 0.001
"""A sweep answers only if best focus lies inside it with all but this probability."""
LARGEST_JITTER = 0.35
RESTLESS = 0.20
VAGUE = 0.2
"""Scatter about the curve that spoils any answer; and one that does if best focus is also known no
better than to this many floors of defocus (a curve may be odd in shape and yet sharp)."""
SURE = 0.5
LEAST_REACH = 0.6
"""Defocus in floors that at least one wing must reach: there the star is 15 % larger."""
LEAST_GAIN = 13.0
"""Twice the log likelihood ratio of curve to flat that chance hardly gives: of flat sweeps 1 % pass
11, of sweeps of seven positions that reach one floor none falls below 16."""
MOST_WRECKED = 0.34
"""A sweep that loses more of its frames than this share has no curve to lose them from."""
LOPSIDED = 0.1
"""A curve is asymmetric where its wings are centred off best focus by this part of a zone."""
RISEN = 1.5
"""Stars that differ by this factor are beyond what the seeing mostly does."""

_LOOK = "Look for clouds, gusts or a slipping focuser, and repeat."
_TAKEN_UP = "the camera had not begun to move: play was being taken up"


def refuse_before_fitting(curve: FocusCurve, *, others: int = 0) -> CurveFit | None:
    """Refuse a sweep that has too few frames or positions for any fit; else None.

    ``others`` is the number of sweeps fitted with it that have enough frames of their own.
    """
    good = usable_points(curve)
    positions = np.unique(curve.position_steps[good])
    lost_one = others >= COMPANY and good.size >= LEAST_FRAMES
    least = LEAST_FRAMES - 1 if lost_one else LEAST_FRAMES
    if good.sum() >= least and positions.size >= LEAST_POSITIONS:
        return None
    if good.sum() == 0:
        reason = "no frame of this sweep could be measured"
    elif positions.size == 1:
        reason = f"all {good.sum()} frames were taken at one position, {positions[0]:.0f}"
    else:
        reason = (
            f"{_count(int(good.sum()), 'usable frame')} at {_count(positions.size, 'position')}"
        )
    return CurveFit(
        curve=curve,
        verdict="too_few_positions",
        answered=False,
        reason=f"Too few positions: {reason}. Take at least 7, better 9, evenly spaced.",
        used=np.zeros(good.size, bool),
        frame_reasons=tuple(None if ok else "no usable radius" for ok in good),
    )


def judge(
    curve: FocusCurve,
    found: Summary,
    *,
    used: np.ndarray,
    standing: FlatStart | None,
    zone_steps: float,
) -> CurveFit:
    """Turn the numbers of a sweep into its answer, or its refusal.

    ``used`` are the frames that took part; ``standing`` those at the start that were left out while
    play was taken up.
    """
    good = used
    suspicion = np.zeros(good.size)
    suspicion[good] = found.suspicion
    used = good & (suspicion < SURE)
    middle = Estimate(found.wing_centre_steps, found.best_sigma_steps)
    verdict, reason = _verdict(curve, found, used, zone_steps=zone_steps)
    fit = CurveFit(
        curve=curve,
        verdict=verdict,
        answered=verdict in ("good", "asymmetric"),
        reason=reason,
        used=used,
        frame_reasons=_frame_reasons(good, suspicion, standing),
        model="star",
        jitter=found.jitter,
        lack=found.lack,
        chi2_reduced=found.chi2_reduced,
        shape=found.shape,
    )
    if not fit.answered:
        return replace(fit, bound_steps=_bound(verdict, found))
    away = found.floor_px.value / found.slope_px_per_step.value
    seeing = found.jitter * found.floor_px.value**2 / curve.radius_px
    noise = np.hypot(curve.radius_sigma_px, seeing)
    fit = replace(
        fit,
        best_steps=found.best_steps,
        best_sigma_steps=found.best_sigma_steps,
        dof=found.dof,
        interval68_steps=found.interval68_steps,
        interval95_steps=found.interval95_steps,
        floor_px=found.floor_px,
        slope_px_per_step=found.slope_px_per_step,
        hyperbola_steps=found.hyperbola_steps,
        bound_steps=found.bound_steps,
        wing_centre_steps=middle,
        v_steps=wings_meet(
            curve.position_steps[used],
            curve.radius_px[used],
            np.maximum(noise, 1e-4 * curve.radius_px)[used],
            best_steps=found.best_steps,
            floor_steps=away,
        ),
    )
    return _with_short_play(fit, noise[0]) if standing is None else _with_play(fit, standing)


def usable_points(curve: FocusCurve) -> np.ndarray:
    """Frames with a radius and a position."""
    return np.isfinite(curve.radius_px) & (curve.radius_px > 0) & np.isfinite(curve.position_steps)


def takes_part(curve: FocusCurve, standing: FlatStart | None) -> np.ndarray:
    """Frames that are fitted: usable, and the camera had begun to move."""
    late = np.arange(curve.position_steps.size) >= (standing.frames if standing else 0)
    return usable_points(curve) & late


def refuse(fit: CurveFit, verdict: Verdict, reason: str) -> CurveFit:
    """Take an answer back."""
    nan, pair = float("nan"), (float("nan"), float("nan"))
    return replace(
        fit,
        verdict=verdict,
        answered=False,
        reason=reason,
        best_steps=nan,
        best_sigma_steps=nan,
        dof=nan,
        interval68_steps=pair,
        interval95_steps=pair,
        wing_centre_steps=NOT_KNOWN,
        hyperbola_steps=NOT_KNOWN,
        v_steps=NOT_KNOWN,
        play_steps=NOT_KNOWN,
    )


def _with_play(fit: CurveFit, standing: FlatStart) -> CurveFit:
    """Read the play off the curve, and say that frames were left out."""
    start = float(fit.curve.position_steps[0])
    steps = np.linspace(start, fit.best_steps, 200)
    play = play_from(standing, fit.curve, radius_at(fit, steps), steps)
    note = (
        f" The first {standing.frames} frames were left out: the counter ran about "
        f"{play.value:.0f} steps before the camera moved (play). Overshoot by more than that "
        "before each sweep."
    )
    return replace(fit, play_steps=play, reason=fit.reason + note)


def _with_short_play(fit: CurveFit, noise_px: float) -> CurveFit:
    """Say so where the first frame, set aside, looks like play of less than a spacing."""
    curve = fit.curve
    if fit.used[0] or not usable_points(curve)[0]:
        return fit
    start = float(curve.position_steps[0])
    steps = np.linspace(start, fit.best_steps, 400)
    slope = fit.slope_px_per_step
    # The curve of the other frames is known no better than its centre and its slope.
    doubt = np.hypot(slope.value * fit.best_sigma_steps, slope.sigma * (fit.best_steps - start))
    play = short_play(
        curve,
        float(np.hypot(noise_px, doubt)),
        wing_px=radius_at(fit, steps),
        wing_steps=steps,
    )
    if not play.is_known:
        return fit
    note = (
        f" The first frame was left out: the counter ran about {play.value:.0f} +- "
        f"{play.sigma:.0f} steps before the camera moved (play). Overshoot by more than that "
        "before each sweep."
    )
    return replace(
        fit,
        play_steps=play,
        reason=fit.reason + note,
        frame_reasons=(_TAKEN_UP, *fit.frame_reasons[1:]),
    )


def _verdict(
    curve: FocusCurve,
    found: Summary,
    used: np.ndarray,
    *,
    zone_steps: float,
) -> tuple[Verdict, str]:
    position = curve.position_steps[used]
    low, high = position.min(), position.max()
    if (found.below > OUTSIDE and found.above > OUTSIDE) or _flat(found):
        grown = curve.radius_px[used].max() / curve.radius_px[used].min()
        if grown > RISEN:
            return "not_repeatable", (
                f"Not repeatable: star sizes differ by a factor of {grown:.1f}, but lie on no one "
                f"smooth curve. {_LOOK} If nothing is found, take wider steps."
            )
        return "too_narrow", _too_narrow(found, low, high)
    if found.below > OUTSIDE or found.above > OUTSIDE:
        return "not_bracketed", _not_bracketed(found, low, high)
    lost = float(np.mean(found.suspicion >= SURE))
    if lost > MOST_WRECKED:
        return "not_repeatable", (
            f"Not repeatable: {100 * lost:.0f} % of the frames lie on no one smooth curve. {_LOOK}"
        )
    vague = found.best_sigma_steps * found.slope_px_per_step.value / found.floor_px.value
    if found.jitter > LARGEST_JITTER or (found.jitter > RESTLESS and vague > VAGUE):
        return "not_repeatable", (
            f"Not repeatable: the frames scatter by {100 * found.jitter:.0f} % of the star size "
            f"about any smooth curve. {_LOOK}"
        )
    answer = (
        f"Best focus at {found.best_steps:.0f} +- {found.best_sigma_steps:.1f} steps "
        f"from {_count(int(used.sum()), 'frame')}."
    )
    middle = found.wing_centre_steps
    if abs(middle - found.best_steps) > max(LOPSIDED * zone_steps, 2 * found.best_sigma_steps):
        return "asymmetric", (
            f"{answer} The two sides differ: the wings are centred at {middle:.0f}, the star is "
            "smallest elsewhere, as with colour or spherical aberration of the lens."
        )
    return "good", answer


def _flat(found: Summary) -> bool:
    """Whether the seeing alone may have drawn this curve."""
    return max(found.reach) < LEAST_REACH or found.gain < LEAST_GAIN


def _not_bracketed(found: Summary, low: float, high: float) -> str:
    outward = found.above > found.below
    edge = high if outward else low
    missing = abs(found.best_steps - edge)
    span = high - low
    side = "higher" if outward else "lower"
    least = max(missing + span / 4, span / 4)
    further = f"about {_round(min(least, span))} steps"
    lies = "lies" if max(found.below, found.above) > SURE else "may lie"
    return (
        f"The smallest star {lies} at or beyond the end of the sweep at {edge:.0f}: continue "
        f"towards {side} positions by {further}, and go on until the stars clearly grow again."
    )


def _too_narrow(found: Summary, low: float, high: float) -> str:
    slope = found.slope_px_per_step.value
    needed = 2 * 2.5 * found.floor_px.value / slope if slope > 0 else float("inf")
    span = high - low
    if not np.isfinite(needed) or needed > 20 * span or needed <= span:
        needed = 3 * span
    return (
        f"Too narrow: over {span:.0f} steps the stars hardly grow, so the curve has no wings. "
        f"Spread the positions over about {_round(needed)} steps."
    )


def _bound(verdict: Verdict, found: Summary) -> tuple[float, float]:
    if verdict != "not_bracketed":
        return (float("-inf"), float("inf"))
    if found.above > found.below:
        return (found.bound_steps[0], float("inf"))
    return (float("-inf"), found.bound_steps[1])


def _frame_reasons(
    good: np.ndarray, suspicion: np.ndarray, standing: FlatStart | None
) -> tuple[str | None, ...]:
    late = 0 if standing is None else standing.frames

    def reason(index: int, ok: bool, doubt: float) -> str | None:
        if index < late:
            return _TAKEN_UP
        if not ok:
            return "no usable radius"
        if doubt >= SURE:
            return f"far off the curve ({100 * doubt:.0f} % likely a cloud, gust or trail)"
        if doubt >= 0.1:
            return f"may be off the curve ({100 * doubt:.0f} %): weighed down"
        return None

    pairs = enumerate(zip(good, suspicion, strict=True))
    return tuple(reason(i, bool(ok), float(doubt)) for i, (ok, doubt) in pairs)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _round(steps: float) -> int:
    """Two significant digits: advice, not a measurement."""
    digits = 10 ** max(int(np.floor(np.log10(max(steps, 1)))) - 1, 0)
    return int(round(steps / digits) * digits)
