"""What the curve of a sweep says, or why it has no answer and what to do next."""

from ...estimate import Estimate
from .phrases import about, counted
from .saying import says

_LOOK = "Look for clouds, gusts or a slipping focuser, and repeat."
_OVERSHOOT = "before the camera moved (play). Overshoot by more than that before each sweep."


@says
def best_focus(*, best: Estimate, frames: int) -> str:
    """An answer."""
    return (
        f"Best focus at {best.value:.0f} +- {best.sigma:.1f} steps from {counted(frames, 'frame')}."
    )


@says
def best_focus_lopsided(*, best: Estimate, frames: int, middle_steps: float) -> str:
    """An answer from a curve whose wings are centred elsewhere."""
    return (
        f"{best_focus(best=best, frames=frames)} The two sides differ: the wings are centred at "
        f"{middle_steps:.0f}, the star is smallest elsewhere, as with colour or spherical "
        "aberration of the lens."
    )


@says
def play_at_start(*, answer: str, frames: int, play: Estimate) -> str:
    """An answer without the frames that stood still."""
    first = f"first {frames} frames were" if frames > 1 else "first frame was"
    return (
        f"{answer} The {first} left out: the counter ran about {play.value:.0f} +- "
        f"{play.sigma:.0f} steps {_OVERSHOOT}"
    )


@says
def too_few_positions(*, frames: int, positions: int, at_steps: float | None) -> str:
    """Nothing to fit."""
    if not frames:
        why = "no frame of this sweep could be measured"
    elif at_steps is not None:
        why = f"all {frames} frames were taken at one position, {at_steps:.0f}"
    else:
        why = f"{counted(frames, 'usable frame')} at {counted(positions, 'position')}"
    return f"Too few positions: {why}. Take at least 7, better 9, evenly spaced."


@says
def too_narrow(*, span_steps: float, needed_steps: float) -> str:
    """A sweep without wings."""
    return (
        f"Too narrow: over {span_steps:.0f} steps the stars hardly grow, so the curve has no "
        f"wings. Spread the positions over about {about(needed_steps)} steps."
    )


@says
def not_bracketed(*, edge_steps: float, higher: bool, further_steps: float, sure: bool) -> str:
    """A sweep that ended before best focus."""
    return (
        f"The smallest star {'lies' if sure else 'may lie'} at or beyond the end of the sweep at "
        f"{edge_steps:.0f}: continue towards {'higher' if higher else 'lower'} positions by about "
        f"{about(further_steps)} steps, and go on until the stars clearly grow again."
    )


@says
def no_smooth_curve(*, grown: float) -> str:
    """Sizes that differ by more than the seeing does."""
    return (
        f"Not repeatable: star sizes differ by a factor of {grown:.1f}, but lie on no one "
        f"smooth curve. {_LOOK} If nothing is found, take wider steps."
    )


@says
def frames_lost(*, share: float) -> str:
    """Too many frames off the curve."""
    return f"Not repeatable: {100 * share:.0f} % of the frames lie on no one smooth curve. {_LOOK}"


@says
def frames_scatter(*, jitter: float) -> str:
    """Too much scatter about the curve."""
    return (
        f"Not repeatable: the frames scatter by {100 * jitter:.0f} % of the star size "
        f"about any smooth curve. {_LOOK}"
    )


@says
def late_header(*, which: str) -> str:
    """Positions that belong to another frame."""
    return (
        f"Positions and time disagree: every radius fits the position of the frame {which} "
        "it. The position in the header is not the one of the exposure; wait for the "
        "focuser to settle before exposing, and repeat."
    )


@says
def two_foci(*, up_steps: float, down_steps: float, apart: Estimate) -> str:
    """A focus for each direction of travel."""
    return (
        f"Positions and time disagree: frames reached upwards focus at {up_steps:.0f}, those "
        f"reached downwards at {down_steps:.0f}, {apart.value:.0f} +- {apart.sigma:.0f} steps "
        "apart. That is play in the focuser: approach every position from the same side, and "
        "repeat."
    )


@says
def vertex(*, best: Estimate) -> str:
    """An answer of the plain hyperbola."""
    return f"Vertex of the hyperbola at {best.value:.0f} +- {best.sigma:.1f} steps."


@says
def vertex_outside() -> str:
    """A hyperbola whose vertex the sweep does not reach."""
    return "The vertex of the hyperbola lies outside the sweep: take positions on both sides."


@says
def no_hyperbola() -> str:
    """Frames that no hyperbola follows."""
    return "No hyperbola fits the frames of this sweep."


@says
def slope_disagrees(*, sweep: str, filter: str, slope: float, shared: float) -> str:  # noqa: A002
    """A sweep that does not belong to the others."""
    return (
        f"{sweep} ({filter}): its wings rise by {slope:.4g} px per step, those of the other "
        f"sweeps by {shared:.4g}; it was fitted alone."
    )


@says
def play_taken_up() -> str:
    """A frame before the camera moved."""
    return "the camera had not begun to move: play was being taken up"


@says
def no_usable_radius() -> str:
    """A frame without a radius."""
    return "no usable radius"


@says
def off_curve(*, doubt: float | None = None) -> str:
    """A frame left out."""
    if doubt is None:
        return "far off the curve"
    return f"far off the curve ({100 * doubt:.0f} % likely a cloud, gust or trail)"


@says
def perhaps_off_curve(*, doubt: float) -> str:
    """A frame that counts less."""
    return f"may be off the curve ({100 * doubt:.0f} %): weighed down"
