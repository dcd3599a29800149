"""A tilted or curved field: defocus shows in how the radius changes over the frame.

Where focus lies f zones further out at a place of the frame, stars there are as large as they are
elsewhere f zones further in. So slopes of ln radius over the frame (``field_slopes``) are

    own + D^-1 (ln R50(d - f, u) over the frame),      f = a u + b v + k w less its mean

with D the fit of a plane and a bowl to places spread evenly over the frame. They turn their sign at
focus, so they tell its side, and seeing hardly changes them. a, b, k and the slopes that are not
defocus' (``own``, of each filter) are learnt from sweeps.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from .model import DEFOCUS_ZONES, STEP_ZONES

_SIDE = np.linspace(-1, 1, 7)
_U, _V = (part.ravel() for part in np.meshgrid(_SIDE, _SIDE))
_PATTERN = np.stack([_U, _V, (_U**2 + _V**2) / 2])
_FIT = np.linalg.pinv(np.column_stack([np.ones(_U.size), *_PATTERN]))[1:]
_LEAST_FRAMES = 7
#: What is learnt counts from so many sigma on.
_SURE = 5.0
#: Least scatter of slopes from frame to frame, and the most that a field bends, zones.
WOBBLE, _MOST_ZONES = 0.004, 6.0
#: An error that so many squared frames share, as if it were of each.
_TOGETHER = 3.0
#: Slopes of a camera that has been moved, and how many of its frames show them (judgement).
_MOVED, _FAR = 0.1, 0.02
#: Share by which the star of wave optics makes too little or too much of a field (measured on
#: drawn tilted and curved fields).
_STAR_SHARE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """Plane and bowl of focus over the frame.

    Attributes
    ----------
    zones : (3,) array
        How much further out focus lies at the +x and the +y edge, and in the corners.
    relative : float
        Their uncertainty over their size.
    own : dict of str to (3,) array
        Slopes of ln radius in focus, by filter.
    scatter : (3,) array
        Of slopes from frame to frame, beyond the stars' own noise.
    """

    zones: np.ndarray
    relative: float
    own: Mapping[str, np.ndarray]
    scatter: np.ndarray

    def table(self, name: str, log_radius: np.ndarray) -> "FieldTable":
        """Slopes of a filter, from its star's ln radii (D, U)."""
        # Where no sweep shows it, the mean of the others serves.
        own = self.own[name] if name in self.own else np.mean(list(self.own.values()), axis=0)
        return FieldTable(self, own, slopes_over(log_radius.T, self.zones))


def slopes_over(log_radius: np.ndarray, zones: np.ndarray) -> np.ndarray:
    """Slopes that a field makes at each defocus, (n, D, 3), of ln radii (n, D)."""
    further = zones @ _PATTERN
    last = DEFOCUS_ZONES.size - 1
    at = (DEFOCUS_ZONES[:, None] - further + further.mean() - DEFOCUS_ZONES[0]) / STEP_ZONES
    at = np.clip(at, 0, last - 1e-9)
    low = at.astype(int)
    part = at - low
    values = log_radius[:, low] * (1 - part) + log_radius[:, low + 1] * part
    return np.asarray(values @ _FIT.T)


def learn_field(
    filters: Sequence[str],
    zones: np.ndarray,
    log_radius: np.ndarray,
    slopes: np.ndarray,
    sigma: np.ndarray,
) -> Field | None:
    """Plane and bowl from the frames of sweeps; None where they are not significant.

    (n,) filters and defoci, (n, D) ln radii of the star at each frame's seeing, (n, 3) slopes.
    """
    kinds = sorted(set(filters))
    which = np.array([kinds.index(name) for name in filters])
    if len(which) < _LEAST_FRAMES:
        return None
    wide = np.hypot(sigma, WOBBLE)
    every = np.arange(len(which))
    place = np.clip((zones - DEFOCUS_ZONES[0]) / STEP_ZONES, 0, DEFOCUS_ZONES.size - 1 - 1e-9)
    low = place.astype(int)
    part = (place - low)[:, None]

    def own_and_left(field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        made = slopes_over(log_radius, field)
        left = slopes - made[every, low] * (1 - part) - made[every, low + 1] * part
        own = np.stack([np.average(left[which == k], axis=0, weights=wide[which == k] ** -2.0)
                        for k in range(len(kinds))])  # fmt: skip
        return own, (left - own[which]) / wide

    def misses(field: np.ndarray) -> np.ndarray:
        return own_and_left(field)[1].ravel()

    start, most = np.full(3, 0.1), _MOST_ZONES
    found = least_squares(misses, start, bounds=(-most, most), loss="soft_l1")
    own, left = own_and_left(found.x)
    more = np.maximum(np.median(np.abs(left), axis=0) / 0.6745, 1.0)
    slope = np.asarray(found.jac)
    turning = slope.T @ slope / float(np.mean(more**2))
    turns = float(np.sqrt(found.x @ turning @ found.x))
    if turns < _SURE:
        return None
    return Field(
        zones=found.x,
        relative=math.hypot(1 / turns, _STAR_SHARE),
        own=dict(zip(kinds, own, strict=True)),
        scatter=np.sqrt((more**2 - 1) * np.median(wide, axis=0) ** 2 + WOBBLE**2),
    )


@dataclass(frozen=True, slots=True, eq=False)
class FieldTable:
    """Slopes of one filter over the frame: its own (3,), and what defocus makes (U, D, 3)."""

    field: Field
    own: np.ndarray
    made: np.ndarray

    def log_density(
        self, slopes: np.ndarray, sigma: np.ndarray, at: tuple[np.ndarray, np.ndarray]
    ) -> np.ndarray:
        """Ln density of a frame's slopes at places of the grid: seeing and defocus by number."""
        model = self.made[at]
        own = np.hypot(sigma, self.field.scatter)
        # What is not known of the field has one sign in all frames.
        wide = np.hypot(own, _TOGETHER * self.field.relative * model)
        return _log_normal((slopes - self.own - model) / wide, wide)

    def log_density_without(self, slopes: np.ndarray, sigma: np.ndarray) -> float:
        """The same if the camera has been moved since, at any defocus."""
        # A field that has been straightened shows each filter's own slopes whatever focus does:
        # that must stay as likely as a field of old in focus, else it would be taken for it.
        own = np.hypot(sigma, self.field.scatter)
        near, far = (
            float(_log_normal((slopes - self.own) / wide, wide))
            for wide in (own, np.hypot(own, _MOVED))
        )
        return float(np.logaddexp(near + math.log(1 - _FAR), far + math.log(_FAR)))


def _log_normal(turns: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Ln of the normal density of three independent numbers."""
    log = -0.5 * turns * turns - np.log(sigma * np.sqrt(2 * np.pi))
    return np.asarray(log.sum(axis=-1))
