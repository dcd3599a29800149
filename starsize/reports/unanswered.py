"""Which questions the frames leave open, and what to capture to answer them."""

from dataclasses import dataclass, replace

from ..estimate import Notice
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


_FIELD = OpenQuestion(
    "field_unknown",
    "tilt and curvature of the field",
    "These frames cannot tell how best focus runs over the field.",
    "It takes 24 stars or more in all parts of the frame, and the size of a focuser step.",
)
_TEMPERATURE = OpenQuestion(
    "temperature_unknown",
    "focus against temperature",
    "These frames cannot tell how focus follows temperature.",
    "Repeat the sweep of one filter when it has cooled by 2 degC or more, "
    "with the temperature in the headers.",
)
_STEP = OpenQuestion(
    "step_size_unknown",
    "size of a step",
    "The size of a focuser step is not known, so nothing can be said in micrometres.",
    "Put um_per_step, or focal_length_mm, aperture_mm and pixel_um, into the setup file.",
)
_BACKLASH = OpenQuestion(
    "backlash_unknown",
    "play of the focuser",
    "These frames cannot tell how much play the focuser has when it turns round.",
    "Take two sweeps of one filter, one moving in and one moving out.",
)
_REPEAT = OpenQuestion(
    "repeatability_unknown",
    "how well a sweep repeats",
    "These frames cannot tell how well a sweep repeats.",
    "Take the sweep of one filter three times, spread over the night.",
)
_SLIPS = OpenQuestion(
    "slips_unknown",
    "slips of the focuser",
    "These frames cannot tell whether the focuser slipped.",
    "It takes three sweeps more than there are filters: the first filter again in the middle and "
    "at the end, and one other filter again at the end.",
)
_SPECTRUM = OpenQuestion(
    "secondary_spectrum_unknown",
    "secondary spectrum",
    "The secondary spectrum of the telescope cannot be worked out.",
    "It takes well-measured filters near 486 nm, 550 nm and 656 nm, "
    "and the step size and focal length.",
)
_COLOUR = OpenQuestion(
    "colour_unknown",
    "best common position",
    "No position that serves all filters best can be stated.",
    "Measure at least two filters of known wavelength in one night.",
)


def play_seen(result: RunResult) -> tuple[float, ...]:
    """Steps of play that sweeps took up at their start, smallest first."""
    found = (known(fit.play_steps.value) for fit in result.curves.fits)
    return tuple(sorted(steps for steps in found if steps is not None))


def open_questions(result: RunResult) -> tuple[OpenQuestion, ...]:
    """Every question of the contract that this run leaves without an answer."""
    comparison = result.comparison
    coefficient = comparison.temperature.steps_per_degC
    health, field = comparison.focuser, _FIELD
    if comparison.field_reason:
        field = replace(_FIELD, why=f"{_FIELD.why[:-1]}: {comparison.field_reason}.")
    checks = (
        (_TEMPERATURE, coefficient is None or not coefficient.is_known),
        (_STEP, health.um_per_step is None),
        (_BACKLASH, health.backlash_steps is None and not play_seen(result)),
        (_REPEAT, health.repeatability_steps is None),
        (_SLIPS, health.slips is None),
        (_SPECTRUM, known(comparison.colour.secondary_spectrum) is None),
        (_COLOUR, known(comparison.colour.compromise_steps) is None),
        (field, comparison.field is None),
    )
    return tuple(question for question, is_open in checks if is_open)
