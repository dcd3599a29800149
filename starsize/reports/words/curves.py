"""What the curve of a sweep says, or why it has no answer and what to do next."""

from ...estimate import Estimate
from .saying import about, counted, say

_LOOK = "Look for clouds, gusts, faint stars or a slipping focuser, and repeat."
_OVERSHOOT = "before the camera moved (play). Overshoot by more than that before each sweep."


def _best_focus(*, best: Estimate, frames: int) -> str:
    where = f"{best.value:.0f} +- {best.sigma:.1f}"
    return f"Best focus at {where} steps from {counted(frames, 'frame')}."


def _too_few(*, frames: int, positions: int, at_steps: float | None) -> str:
    if not frames:
        why = "no frame of this sweep could be measured"
    elif at_steps is not None:
        why = f"all {frames} frames were taken at one position, {at_steps:.0f}"
    else:
        why = f"{counted(frames, 'usable frame')} at {counted(positions, 'position')}"
    return f"Too few positions: {why}. Take at least 7, better 9, evenly spaced."


say(
    {
        "best_focus": _best_focus,
        "best_focus_lopsided": lambda *, middle_steps, **facts: (
            f"{_best_focus(**facts)} The two sides differ: the wings are centred at "
            f"{middle_steps:.0f}, the star is smallest elsewhere, as with colour or spherical "
            "aberration of the lens."
        ),
        "play_at_start": lambda *, answer, frames, play: (
            f"{answer} The first {f'{frames} frames were' if frames > 1 else 'frame was'} left "
            f"out: the counter ran about {play.value:.0f} +- {play.sigma:.0f} steps {_OVERSHOOT}"
        ),
        "too_few_positions": _too_few,
        "too_narrow": lambda *, span_steps, needed_steps: (
            f"Too narrow: over {span_steps:.0f} steps the stars hardly grow, so the curve has no "
            f"wings. Spread the positions over about {about(needed_steps)} steps."
        ),
        "not_bracketed": lambda *, edge_steps, higher, further_steps, sure: (
            f"The smallest star {'lies' if sure else 'may lie'} at or beyond the end of the sweep "
            f"at {edge_steps:.0f}: continue towards {'higher' if higher else 'lower'} positions "
            f"by about {about(further_steps)} steps, and go on until the stars clearly grow again."
        ),
        "no_smooth_curve": "Not repeatable: star sizes differ by a factor of {grown:.1f}, but lie "
        f"on no one smooth curve. {_LOOK} If nothing is found, take wider steps.",
        "frames_lost": "Not repeatable: {percent:.0f} % of the frames lie on no one smooth curve. "
        + _LOOK,
        "frames_scatter": "Not repeatable: the frames scatter by {percent:.0f} % of the star size "
        f"about any smooth curve. {_LOOK}",
        "late_header": "Positions and time disagree: every radius fits the position of the frame "
        "{which} it. The position in the header is not the one of the exposure; wait for the "
        "focuser to settle before exposing, and repeat.",
        "two_foci": "Positions and time disagree: frames reached upwards focus at {up_steps:.0f}, "
        "those reached downwards at {down_steps:.0f}, {apart.value:.0f} +- {apart.sigma:.0f} steps "
        "apart. That is play in the focuser: approach every position from the same side, and "
        "repeat.",
        "vertex": "Vertex of the hyperbola at {best.value:.0f} +- {best.sigma:.1f} steps.",
        "vertex_outside": "The vertex of the hyperbola lies outside the sweep: take positions on "
        "both sides.",
        "no_hyperbola": "No hyperbola fits the frames of this sweep.",
        "slope_disagrees": "{sweep} ({filter}): its wings rise by {slope:.4g} px per step, those "
        "of the other sweeps by {shared:.4g}; it was fitted alone.",
        "play_taken_up": "the camera had not begun to move: play was being taken up",
        "no_usable_radius": "no usable radius",
        "off_curve": lambda *, doubt=None: (
            "far off the curve"
            + (f" ({100 * doubt:.0f} % likely a cloud, gust or trail)" if doubt is not None else "")
        ),
        "wreck_or_play": "off the curve: a cloud, gust or trail, or play that was being taken up",
        "perhaps_off_curve": "may be off the curve ({percent:.0f} %): weighed down",
    }
)
