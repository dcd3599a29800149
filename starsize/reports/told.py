"""What is told beside the templates: open questions of a run, runs of trouble in a night."""

from dataclasses import dataclass
from itertools import groupby

from ..estimate import Notice
from ..night import NightResult
from .filled import macros, render
from .numbers import clock_text, known
from .result import RunResult


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """A question without an answer: code, topic, why it is open, what to capture instead."""

    code: str
    topic: str
    why: str
    capture: str

    @property
    def notice(self) -> Notice:
        """As a warning of the machine-readable result."""
        return Notice(self.code, f"{self.why} {self.capture}")


def play_seen(result: RunResult) -> tuple[float, ...]:
    """Steps of play that sweeps took up at their start, smallest first."""
    found = (known(fit.play_steps.value) for fit in result.curves.fits)
    return tuple(sorted(steps for steps in found if steps is not None))


def open_questions(result: RunResult) -> tuple[OpenQuestion, ...]:
    """Every question of the contract that this run leaves without an answer."""
    view = {"comparison": result.comparison, "play": play_seen(result)}
    lines = render("questions.txt", view).splitlines()
    return tuple(OpenQuestion(*line.split("|")) for line in lines)


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
