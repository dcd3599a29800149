"""The letter beside each frame that is left out, the same in drawing, list and table."""

from ..curves.fitted import CurveFit


def left_out_letters(fit: CurveFit) -> list[str]:
    """One letter for each frame that is left out, in the order of the curve."""
    count = int((~fit.used.astype(bool)).sum())
    return [chr(ord("a") + i) if i < 26 else str(i + 1) for i in range(count)]
