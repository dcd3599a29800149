"""Which questions the frames leave open, and what to capture to answer them."""

from dataclasses import dataclass

from ..estimate import Notice
from .filled import render
from .numbers import known
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
