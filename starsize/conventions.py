"""The conventions, written once and cited elsewhere.

Pixels
    ``(x, y) = (0, 0)`` is the centre of ``image[0, 0]``. Arrays are ``image[y, x]``;
    lists of places are ``(n, 2)`` arrays of ``(x, y)``.
Half-flux radius (HFR)
    Radius in pixels of the circle about a star's centre that holds half of its
    background-free flux. The flux-weighted mean radius is another quantity
    (1.2533 sigma against 1.1774 sigma for a Gaussian) and is only ever called ``mean_radius``.
Focuser positions
    In steps. Steps increase outward (away from the telescope) unless the setup says otherwise;
    ``inward`` means towards the telescope.
Offset
    Best focus of a filter minus best focus of the reference filter, at one temperature and one
    approach direction: how far to move when changing from the reference to that filter.
Uncertainty
    Every ``sigma`` is a standard uncertainty (68.3 % coverage, JCGM 100:2008).
Time
    Modified Julian Date, UTC, of the middle of the exposure.
"""

from typing import Final, Literal

Approach = Literal["inward", "outward", "mixed", "unknown"]
"""How the focuser travelled during a sweep; ``mixed`` when it turned round within it."""

UNKNOWN: Final = float("nan")
"""A number that is not known. Never a sentinel such as -1 or 0."""
