"""Which questions the frames leave open, and what to capture to answer them."""

from dataclasses import dataclass

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


def play_seen(result: RunResult) -> tuple[float, ...]:
    """Steps of play that sweeps took up at their start, smallest first."""
    found = (known(fit.play_steps.value) for fit in result.curves.fits)
    return tuple(sorted(steps for steps in found if steps is not None))


def open_questions(result: RunResult) -> tuple[OpenQuestion, ...]:
    """Every question of the contract that this run leaves without an answer."""
    comparison = result.comparison
    coefficient, health = comparison.temperature.steps_per_degC, comparison.focuser
    why = f": {comparison.field_reason}" if comparison.field_reason else ""
    checks = (
        (
            coefficient is None or not coefficient.is_known,
            "temperature_unknown", "focus against temperature",
            "These frames cannot tell how focus follows temperature.",
            "Repeat the sweep of one filter when it has cooled by 2 degC or more, "
            "with the temperature in the headers.",
        ),
        (
            health.um_per_step is None,
            "step_size_unknown", "size of a step",
            "The size of a focuser step is not known, so nothing can be said in micrometres.",
            "Put um_per_step, or focal_length_mm, aperture_mm and pixel_um, into the setup file.",
        ),
        (
            health.backlash_steps is None and not play_seen(result),
            "backlash_unknown", "play of the focuser",
            "These frames cannot tell how much play the focuser has when it turns round.",
            "Take two sweeps of one filter, one moving in and one moving out.",
        ),
        (
            health.repeatability_steps is None,
            "repeatability_unknown", "how well a sweep repeats",
            "These frames cannot tell how well a sweep repeats.",
            "Take the sweep of one filter three times, spread over the night.",
        ),
        (
            health.slips is None,
            "slips_unknown", "slips of the focuser",
            "These frames cannot tell whether the focuser slipped.",
            "It takes three sweeps more than there are filters: the first filter again in the "
            "middle and at the end, and one other filter again at the end.",
        ),
        (
            known(comparison.colour.secondary_spectrum) is None,
            "secondary_spectrum_unknown", "secondary spectrum",
            "The secondary spectrum of the telescope cannot be worked out.",
            "It takes well-measured filters from 486 nm to 656 nm, "
            "and the step size and focal length.",
        ),
        (
            known(comparison.colour.compromise_steps) is None,
            "colour_unknown", "best common position",
            "No position that serves all filters best can be stated.",
            "Measure at least two filters of known wavelength in one night.",
        ),
        (
            comparison.field is None,
            "field_unknown", "tilt and curvature of the field",
            f"These frames cannot tell how best focus runs over the field{why}.",
            "It takes 24 stars or more in all parts of the frame, and the size of a focuser step.",
        ),
    )  # fmt: skip
    return tuple(OpenQuestion(*texts) for is_open, *texts in checks if is_open)
