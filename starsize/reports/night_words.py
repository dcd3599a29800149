"""Runs of frames with one trouble in a night."""

from itertools import groupby

from ..night import NightResult
from .filled import macros
from .numbers import clock_text


def spans(result: NightResult) -> list[dict[str, str]]:
    """Runs of frames with one trouble: what, from which frame to which, and the reason."""
    found, said = [], macros("night_said.txt")
    states = ["lost" if frame.state == "lost" else "" for frame in result.frames]
    trouble = list(zip(states, result.causes, strict=True))
    for (state, cause), group in groupby(range(len(trouble)), key=lambda k: trouble[k]):
        if not cause:
            continue
        these = list(group)
        ends = [result.exposures[k] for k in (these[0], these[-1])]
        worst = max(these, key=lambda k: result.frames[k].growth)
        found.append(
            {
                "what": said.cause(cause),
                "state": state,
                "count": str(len(these)),
                "when": " to ".join(dict.fromkeys(clock_text(one.time_mjd) for one in ends)),
                "files": " to ".join(dict.fromkeys(one.file for one in ends)),
                "why": said.reason(result, worst, several=len(these) > 1),
            }
        )
    return found
