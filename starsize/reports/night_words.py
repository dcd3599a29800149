"""What a night is told in: causes, a sentence a frame, runs of trouble; see ``night_said.txt``."""

from itertools import groupby
from typing import Final

from ..night import NightResult
from ..night.filters import FilterOffset
from ..night.judge import FrameFocus
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


def night_headline(result: NightResult) -> str:
    """The night in one line."""
    return str(macros("night_said.txt").headline(result))


def count_words(result: NightResult) -> str:
    """How many frames are held, lost, unclear."""
    return str(macros("night_said.txt").counts(result))


def frame_reason(result: NightResult, k: int) -> str:
    """One sentence on a frame: what was seen, and for an unclear one what would tell."""
    return str(macros("night_said.txt").reason(result, k))


def filter_words(result: NightResult, one: FilterOffset) -> str:
    """What the night says of one filter's offset."""
    return str(macros("night_said.txt").filter(result, one))


def rule_words(result: NightResult) -> list[str]:
    """The rule that the night supports, and what it would have saved."""
    return [line for line in str(macros("night_said.txt").rule(result)).splitlines() if line]


def defocus_words(frame: FrameFocus, zone_steps: float) -> str:
    """Defocus with its uncertainty, both signs where the side cannot be told."""
    return str(macros("night_said.txt").defocus(frame, zone_steps))


def state_line(result: NightResult, k: int) -> str:
    """One line on a frame for whoever watches."""
    one, frame, cause = result.exposures[k], result.frames[k], CAUSE_WORDS[result.causes[k]]
    what = f"{frame.state}, {cause}" if cause else frame.state
    return f"{one.file} ({one.filter}): {what}; {frame_reason(result, k)}"


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
        times, files = ([clock_text(one.time_mjd) for one in ends], [one.file for one in ends])
        why = frame_reason(result, max(these, key=lambda k: result.frames[k].growth))
        if len(these) > 1:
            why = why.replace("defocus makes the stars ", "defocus makes the stars up to ", 1)
        found.append(
            {
                "what": CAUSE_WORDS[cause],
                "state": state,
                "count": str(len(these)),
                "when": " to ".join(dict.fromkeys(times)),
                "files": " to ".join(dict.fromkeys(files)),
                "why": why,
            }
        )
    return found
