"""Does a sweep answer, and if not, what to do next: stable codes and their numbers."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from ..estimate import Estimate, Finding
from .curve import FocusCurve
from .fitted import UNBOUNDED, CurveFit, Verdict
from .plain import wings_meet
from .play import Start
from .summary import Summary

COMPANY = 3
"""Other sweeps that tell slope and seeing well enough to make up for a frame lost or wrecked."""
LEAST_POSITIONS = 4
LEAST_FRAMES = 5
OUTSIDE = 0.001  # a sweep answers only if best focus lies inside it with all but this probability
LARGEST_JITTER = 0.35
RESTLESS = 0.20
VAGUE = 0.2
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


def refuse_before_fitting(curve: FocusCurve, *, others: int = 0) -> CurveFit | None:
    """Refuse a sweep that has too few frames or positions for any fit; else None.

    ``others`` is the number of sweeps fitted with it that have enough frames of their own.
    """
    good = curve.usable
    positions, frames = np.unique(curve.position_steps[good]), int(good.sum())
    lost_one = others >= COMPANY and good.size >= LEAST_FRAMES
    if frames >= LEAST_FRAMES - lost_one and positions.size >= LEAST_POSITIONS:
        return None
    at_steps = float(positions[0]) if positions.size == 1 else None
    return CurveFit(
        curve=curve,
        verdict="too_few_positions",
        answered=False,
        reason=Finding(
            "too_few_positions", frames=frames, positions=int(positions.size), at_steps=at_steps
        ),
        used=np.zeros(good.size, bool),
        frame_reasons=tuple(None if ok else Finding("no_usable_radius") for ok in good),
    )


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
