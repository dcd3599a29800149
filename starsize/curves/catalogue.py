"""The families of curves that a fit chooses from, and their prior weights."""

from typing import Literal

from .blur_table import LARGEST_OBSTRUCTION
from .family import Family
from .fitted import ModelName
from .shapes import HYPERBOLA, blurred_disc_shape

Model = Literal["auto", "blurred_disc", "hyperbola"]
DISC_WEIGHT = 0.7
"""Prior weight of the blurred disc against the hyperbola, which is only an approximation."""
STRAIGHT = 0.6
"""Part of it for wings that fall short of geometry by nothing: large apertures, small pixels. A
droop allowed but absent makes the seeing look steadier than it is."""
DROOP = 0.12
"""Wings fall short of geometry by about this many floors (1 sigma): diffraction and pixels."""


def symmetric_families(model: Model, obstruction: float) -> list[Family]:
    """Families of symmetric curves, the leading one first.

    Raises
    ------
    ValueError
        If ``obstruction`` or ``model`` is not one of the allowed.
    """
    if not 0 <= obstruction < 1:
        msg = f"'obstruction' must lie in [0, 1), got {obstruction}"
        raise ValueError(msg)
    shape = blurred_disc_shape(min(obstruction, LARGEST_OBSTRUCTION))
    disc = Family("blurred_disc", shape, DISC_WEIGHT * (1 - STRAIGHT), droop=DROOP)
    straight = Family("blurred_disc", shape, DISC_WEIGHT * STRAIGHT)
    plain = Family("hyperbola", HYPERBOLA, 1 - DISC_WEIGHT)
    choices: dict[str, list[Family]] = {
        "auto": [disc, straight, plain],
        "blurred_disc": [disc, straight],
        "hyperbola": [plain],
    }
    if model not in choices:
        msg = f"'model' must be one of {', '.join(choices)}, got {model!r}"
        raise ValueError(msg)
    return choices[model]


def asymmetric_families(obstruction: float) -> tuple[Family, Family]:
    """One wing steeper than the other; and a band of colours with foci of their own."""
    shape = blurred_disc_shape(min(obstruction, LARGEST_OBSTRUCTION))
    tilted = Family("asymmetric", shape, 0.3, droop=DROOP, tilt=0.1, dent=0.1)
    # The glasses of a 100 mm f/6 achromat: lines of 1 to 3 floors in R and G, 5 to 8 in B.
    band = Family(
        "asymmetric", shape, 0.7, line=5.0, bend=2.5, misfit=0.01, obstruction=obstruction
    )
    return tilted, band


def family_for_drawing(name: ModelName, *, obstruction: float, band: bool) -> Family:
    """The family that predicts a fitted curve."""
    if name == "asymmetric":
        return asymmetric_families(obstruction)[int(band)]
    return symmetric_families(name, obstruction)[0]
