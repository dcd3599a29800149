"""What is said of a plan."""

from collections.abc import Iterator, Sequence
from typing import Final

from ..frames.plan_csv import PlannedExposure
from ..plan.planned import Assumed, CapturePlan, More
from .numbers import number_text, short_number, steps_text

CAUTIONS: Final = (
    "Never point the telescope near the Sun; work after dark, or keep well away from it: "
    "unfiltered sunlight blinds at once and sets equipment on fire.",
    "Stay inside the focuser's travel: try the first and the last position, and the run-in, by "
    "hand before you let a program drive it.",
    "Heavy gear: balance the mount, secure camera and cables so that nothing pulls or falls when "
    "focuser and mount move, and keep mains power dry.",
    "Local rules and the makers' limits for motors and power come first.",
)
_QUESTIONS: Final = {
    "colour": (
        "whether one focus position serves all colours",
        "more sweeps: a smaller --sigma",
    ),
    "slip": ("whether the focuser slips", "more sweeps of the reference"),
    "temperature": ("how focus moves with temperature", "a longer night, or repeats hours apart"),
    "play": (
        "how much play the focuser has",
        "one more sweep of the reference with its positions the other way round",
    ),
}


def frame_note(plan: CapturePlan, sweep: Sequence[PlannedExposure], place: int) -> str:
    """What is to be known at one exposure; mostly nothing."""
    one = sweep[place]
    if place == 0:
        return f"first go to {one.position_steps - plan.run_in_steps}, then up to here (run-in)"
    in_focus = one.position_steps == plan.centre_steps[one.filter]
    return "about in focus" if in_focus else ""


def duration_text(seconds: float) -> str:
    """A duration as people say it: ``48 s``, ``8 min``, ``1 h 30 min``."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def plan_headline(plan: CapturePlan) -> str:
    """How much it is, and what comes of it."""
    size = (
        f"{len(plan.exposures)} exposures in {len(plan.sweeps)} sweeps, about "
        f"{duration_text(plan.duration_s)}, of which {duration_text(plan.exposure_s)} exposing."
    )
    worst = max(one.sigma for one in plan.offsets.values())
    wanted = f"±{steps_text(plan.wanted_sigma_steps)}"
    if plan.reached:
        return f"{size} It gives every offset to ±{steps_text(worst)} or better (wanted: {wanted})."
    return (
        f"{size} It gives the offsets to ±{steps_text(worst)} at worst; {wanted} cannot be reached "
        "in one night's reasonable number of sweeps: the scatter of the focuser and the cooling "
        "stand against it. Join several nights."
    )


def steps_to_follow(plan: CapturePlan) -> Iterator[str]:
    """The checklist, point by point."""
    low, high = plan.away_steps[0], plan.away_steps[-1]
    centre = plan.centre_steps[plan.reference]
    yield (
        "Point at a field with some dozens of stars, high up, and leave it there with the mount "
        "tracking; focus roughly; let telescope and camera cool for half an hour."
    )
    yield (
        f"Best focus is expected near {centre}; the sweeps run from {centre + low} to "
        f"{centre + high}. It may lie {short_number(2 * min(plan.zone_steps.values()))} steps off; "
        "more, and the positions must be moved."
    )
    yield (
        f"Before every sweep go {plan.run_in_steps} steps below its first position and come up "
        "(that takes up the play); then always upwards, one exposure a position."
    )
    yield (
        f"Exposures: {_exposures(plan)}. After the first sweep look at a frame: stars not burnt "
        "out, some dozens of them, three to four times as large at both ends as in focus."
    )
    yield (
        "Change nothing but focuser and filter: no refocusing and no correction for temperature "
        "between the sweeps."
    )
    order = " ".join(sweep[0].filter for sweep in plan.sweeps)
    yield f"Take the sweeps in the order of plan.csv: {order}."
    yield "Then: starsize offsets FOLDER --setup FILE."


def warnings_of(plan: CapturePlan) -> Iterator[str]:
    """What may go wrong with this plan."""
    lowest = min(one.position_steps for one in plan.exposures) - plan.run_in_steps
    stated = "position of best focus" not in {one.name for one in plan.assumed}
    if stated and lowest < 0:
        yield f"the run-in would start at {lowest}: check that the focuser can go there"
    if not stated:
        yield (
            "the position of best focus is not known: all positions count from it; give it by "
            "--position, or a test frame by --from"
        )
    for name, stars in plan.few_stars.items():
        yield (
            f"{name} will show about {max(stars, 1):.0f} stars even in the longest exposure; "
            "choose a richer field for it"
        )


def answer_lines(plan: CapturePlan) -> Iterator[tuple[bool, str]]:
    """Each question with whether the frames will answer it, and what would."""
    for key, (question, remedy) in _QUESTIONS.items():
        told = plan.can_answer[key]
        yield told, question if told else f"{question} (it would take {remedy})"


def more_text(more: More) -> str:
    """What more effort would buy."""
    what = {
        "frame": "one frame more in every sweep",
        "sweep": f"one sweep of {more.filter} more",
        "hour": "one hour more",
    }[more.what]
    before, after = short_number(more.before_steps), short_number(more.after_steps)
    if round(more.after_steps, 2) >= round(more.before_steps, 2) or before == after:
        return f"{what}: nothing, ±{before} stays"
    whose = f" for {more.filter}" if more.filter else ""
    return f"{what}: ±{after} steps{whose} in place of ±{before}"


def assumed_text(one: Assumed) -> str:
    """An assumed number."""
    if isinstance(one.value, str):
        return f"{one.name}: {one.value}"
    unit = "step" if one.unit == "steps" and one.value == 1 else one.unit
    return f"{one.name}: {number_text(one.value, digits=3)} {unit}".rstrip()


def _exposures(plan: CapturePlan) -> str:
    of: dict[float, list[str]] = {}
    for one in plan.exposures:
        names = of.setdefault(one.exposure_s, [])
        if one.filter not in names:
            names.append(one.filter)
    return "; ".join(f"{', '.join(names)} {seconds:g} s" for seconds, names in sorted(of.items()))
