"""What a night is told in: causes, a line a frame, runs of trouble; see ``night_said.txt``."""

from itertools import groupby
from typing import Final

from ..night import NightResult
from .filled import macros
from .numbers import clock_text

CAUSE_WORDS: Final = {
    "": "",
    "drift": "focus: drift",
    "slip": "focus: slip",
    "offset": "focus: offset of this filter",
    "cloud": "cloud",
    "wind or guiding": "wind or guiding",
    "seeing": "seeing",
}


def state_line(result: NightResult, k: int) -> str:
    """One line on a frame for whoever watches."""
    one, frame, cause = result.exposures[k], result.frames[k], CAUSE_WORDS[result.causes[k]]
    what = f"{frame.state}, {cause}" if cause else frame.state
    return f"{one.file} ({one.filter}): {what}; {macros('night_said.txt').reason(result, k)}"


def spans(result: NightResult) -> list[dict[str, str]]:
    """Runs of frames with one trouble: what, from which frame to which, and the reason."""
    found = []
    states = ["lost" if frame.state == "lost" else "" for frame in result.frames]
    trouble = list(zip(states, result.causes, strict=True))
    for (state, cause), group in groupby(range(len(trouble)), key=lambda k: trouble[k]):
        if not cause:
            continue
        these = list(group)
        ends = [result.exposures[k] for k in (these[0], these[-1])]
        worst = max(these, key=lambda k: result.frames[k].growth)
        why = macros("night_said.txt").reason(result, worst)
        if len(these) > 1:
            why = why.replace("defocus makes the stars ", "defocus makes the stars up to ", 1)
        found.append(
            {
                "what": CAUSE_WORDS[cause],
                "state": state,
                "count": str(len(these)),
                "when": " to ".join(dict.fromkeys(clock_text(one.time_mjd) for one in ends)),
                "files": " to ".join(dict.fromkeys(one.file for one in ends)),
                "why": why,
            }
        )
    return found
