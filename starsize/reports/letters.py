"""The letter beside each frame that is left out, the same in drawing, list and table."""

from itertools import count

from ..curves.fitted import CurveFit


def left_out_letters(fit: CurveFit) -> list[str]:
    """The letter of each frame of the curve that is left out, in order; empty of those used."""
    names = (chr(ord("a") + i) if i < 26 else str(i + 1) for i in count())
    return ["" if used else next(names) for used in fit.used]
