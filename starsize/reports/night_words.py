"""What a night is told in: words for causes, a sentence a frame, the headline, the rule."""

import math
from collections.abc import Sequence
from itertools import groupby
from typing import Final

from ..estimate import Estimate
from ..night import NightResult
from ..night.filters import FilterOffset
from ..night.judge import FrameFocus
from .numbers import estimate_text, steps_text, time_text

CAUSE_WORDS: Final = {
    "": "",
    "drift": "focus: drift",
    "slip": "focus: slip",
    "offset": "focus: offset of this filter",
    "cloud": "cloud",
    "wind or guiding": "wind or guiding",
    "seeing": "seeing",
}
PER_WORDS: Final = {"degC": "°C", "hour": "hour", "deg_altitude": "degree of altitude"}
_FAR_ZONES: Final = 1.5
"""How far aside one exposure tells best: it differs clearly, and is still measured well."""


def percent(share: float) -> str:
    """A share as per cent: none after the point from ten up."""
    if not math.isfinite(share):
        return "not known"
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:.1f} %"


def frame_reason(result: NightResult, k: int) -> str:
    """One sentence on a frame: what was seen, and for an unclear one what would tell."""
    one, frame, cause = result.exposures[k], result.frames[k], result.causes[k]
    if one.reason is not None:
        judged = {"lost": "focus was lost", "held": "focus held", "unclear": "focus is not clear"}
        return f"{one.reason}; by its neighbours {judged[frame.state]}"
    grown = f"defocus makes the stars {percent(frame.growth)} larger"
    if frame.state == "lost":
        return f"{grown}{_lost_by(result, k)}"
    seen = {
        "cloud": f"the stars of {one.filter} are fewer or fainter than in its clear frames",
        "wind or guiding": f"stars are drawn out to {one.elongation:.2f} times their width",
        "seeing": "the air makes the stars larger than in the better frames",
    }.get(cause, "")
    if frame.state == "held":
        return f"focus held; {seen}" if seen else "focus held"
    unclear = f"{grown}, give or take {percent(frame.growth_sigma)}; {what_would_tell(result)}"
    return f"{seen}; {unclear}" if seen else unclear


def _lost_by(result: NightResult, k: int) -> str:
    cause, name = result.causes[k], result.exposures[k].filter
    if cause == "offset":
        off = result.rule is not None and (
            abs(result.frames[k].telescope_zones) > result.rule.limit_zones
        )
        itself = "is off too" if off else "is in focus"
        return f"; the offset of {name} is off, the telescope itself {itself}"
    if cause == "slip":
        return "; it came in a step, as a slip or a knock does"
    return "; it came little by little, as cooling does"


def what_would_tell(result: NightResult) -> str:
    """The one exposure that would tell."""
    zone = result.equipment.zone_steps
    if not math.isfinite(zone):
        return "one exposure with the focuser moved a little aside would tell"
    return f"one exposure {steps_text(round(_FAR_ZONES * zone))} aside would tell"


def night_headline(result: NightResult) -> str:
    """The night in one line."""
    states = [frame.state for frame in result.frames]
    lost, total = states.count("lost"), len(states)
    if not any(math.isfinite(e.hfr_px) for e in result.exposures):
        return "No exposure of this night can be measured."
    if lost:
        first = states.index("lost")
        when = time_text(result.exposures[first].time_mjd)[11:16]
        at = f" First at {when} UTC." if when else ""
        return f"Focus was lost in {lost} of {total} exposures.{at}"
    if states.count("unclear") > total / 2:
        return "These exposures cannot tell whether focus held."
    all_night = "unclear" not in states
    return "Focus held all night." if all_night else "Focus held as far as it can be told."


def spans(result: NightResult) -> list[dict[str, str]]:
    """Runs of frames with one trouble: what, from which frame to which, and the reason."""
    found = []
    trouble = [
        (f.state if f.state == "lost" else "", c)
        for f, c in zip(result.frames, result.causes, strict=True)
    ]
    for (state, cause), group in groupby(range(len(trouble)), key=lambda k: trouble[k]):
        these = list(group)
        if not cause:
            continue
        ends = [result.exposures[k] for k in (these[0], these[-1])]
        times = [time_text(one.time_mjd)[11:16] for one in ends]
        files = ends[0].file if len(these) == 1 else f"{ends[0].file} to {ends[1].file}"
        why = frame_reason(result, max(these, key=lambda k: result.frames[k].growth))
        if len(these) > 1:
            why = why.replace("defocus makes the stars ", "defocus makes the stars up to ", 1)
        found.append(
            {
                "what": CAUSE_WORDS[cause],
                "state": state,
                "count": str(len(these)),
                "when": times[0] if times[0] == times[1] else " to ".join(times),
                "files": files,
                "why": why,
            }
        )
    return found


def filter_words(result: NightResult, one: FilterOffset) -> str:
    """What the night says of one filter's offset."""
    zone = result.equipment.zone_steps
    size = Estimate(one.change_zones, one.change_sigma_zones).times(zone)
    if one.agrees is True:
        return f"agrees with the table ({estimate_text(size, signed=True, most_decimals=1)} steps)"
    if one.agrees is None:
        return "this night cannot tell"
    if one.side_known:
        text = estimate_text(size, signed=True, most_decimals=1)
        return f"is off: the true offset lies {text} steps from the table's"
    text = estimate_text(size, most_decimals=1)
    return f"is off by {text} steps, in or out cannot be told: sweep this filter again"


def rule_words(result: NightResult) -> list[str]:
    """The rule that the night supports, and what it would have saved."""
    rule, unit = result.rule, "°C" if result.by_degree else "hour"
    if rule is None:
        return []
    zone, words = result.equipment.zone_steps, "steps"
    if not math.isfinite(zone):
        zone, words = 1.0, "zones"
    if not (math.isfinite(rule.each_degC) or math.isfinite(rule.each_minutes)):
        return [
            f"Focus shows no steady course with {'temperature' if result.by_degree else 'time'}, "
            "so this night supports no rule.",
            *_taken_apart(result, zone, words),
        ]
    rate = result.coefficient.times(zone)
    each = []
    if math.isfinite(rule.each_degC):
        each.append(f"every {rule.each_degC:.1f} °C")
    if math.isfinite(rule.each_minutes):
        each.append(f"every {rule.each_minutes:.0f} minutes at this night's pace")
    return [
        f"Focus went {estimate_text(rate, signed=True, most_decimals=2)} {words} per {unit}.",
        *_taken_apart(result, zone, words),
        f"Focus again {', or '.join(each)}: {percent(rule.share_lost)} of the exposures were lost, "
        f"with the rule it would have been {percent(rule.share_lost_with_rule)}, at the price of "
        f"focusing {'once' if rule.refocusings == 1 else f'{rule.refocusings} times'} "
        f"({percent(rule.cost_share)} of the night).",
    ]


def _taken_apart(result: NightResult, zone_steps: float, words: str) -> list[str]:
    """What of temperature, time and altitude the night tells beside the others."""
    told = [
        f"{estimate_text(rate.times(zone_steps), signed=True, most_decimals=2)} {words} "
        f"per {PER_WORDS[name]}"
        for name, rate in result.ways.items()
    ]
    if not told:
        return []
    return [f"Temperature, time and altitude each left free: {', '.join(told)}."]


def defocus_words(frame: FrameFocus, zone_steps: float) -> str:
    """Defocus with its uncertainty, both signs where the side cannot be told."""
    known = math.isfinite(zone_steps)
    factor, unit, most = (zone_steps, "steps", 1) if known else (1.0, "zones", 2)
    size = Estimate(frame.defocus_zones, frame.defocus_sigma_zones).times(factor)
    if frame.side_known:
        return f"{estimate_text(size, signed=True, most_decimals=most)} {unit}"
    return f"in or out by {estimate_text(size, most_decimals=most)} {unit}"


def state_line(result: NightResult, k: int) -> str:
    """One line on a frame for whoever watches."""
    one, frame, cause = result.exposures[k], result.frames[k], CAUSE_WORDS[result.causes[k]]
    what = f"{frame.state}, {cause}" if cause else frame.state
    return f"{one.file} ({one.filter}): {what}; {frame_reason(result, k)}"


def count_words(states: Sequence[str]) -> str:
    """How many frames are held, lost, unclear."""
    return ", ".join(
        f"{states.count(s)} {s}" for s in ("held", "lost", "unclear") if states.count(s)
    )
