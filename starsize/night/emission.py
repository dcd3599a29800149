"""How likely what a frame shows is, at each defocus of the frame and each seeing of the night."""

import math
from dataclasses import dataclass

import numpy as np

from .model import PRIORS, STEP_ZONES
from .observed import Exposure
from .telescope import StarTable

#: Density of anything at all, in ln r50 and ln shape: some tens of per cent wide each.
_ANYTHING = 1.0
_SMEAR_RADIUS, _SMEAR_SHAPE = 0.5, 0.3
"""What an elongation beyond the night's own may do to ln radius and ln shape, at most."""
_SMEARED_WILD = 0.1
"""Elongation beyond the night's own from which a frame is as likely wild as not."""


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """Of one frame: at each star (A) and defocus (D), in factors.

    The likelihood at slow seeing v is ``height`` N(v; ``seeing``, ``spread``) (1 - wild) + wild.

    (A, D) arrays; ``growth`` is ln R50 over its smallest at the frame's seeing.
    """

    seeing: np.ndarray
    spread: np.ndarray
    height: np.ndarray
    wild: float
    growth: np.ndarray

    def at(self, star: np.ndarray, log_seeing: np.ndarray) -> np.ndarray:
        """Likelihood for stars by number (n,): (n, D, V)."""
        t = (log_seeing - self.seeing[star][..., None]) / self.spread[star][..., None]
        good = np.exp(-0.5 * t * t) * (self.height / self.spread)[star][..., None]
        return (1 - self.wild) * good / math.sqrt(2 * math.pi) + self.wild * _ANYTHING


def likelihood(
    one: Exposure, table: StarTable, *, elongation: float, lack: float
) -> Likelihood | None:
    """Likelihood of a frame by the ``table`` of its filter; None where it has no radius.

    ``elongation`` is that of the night's better frames, ``lack`` that of ln shape in which filters
    and defoci differ.
    """
    if not (math.isfinite(one.hfr_px) and one.hfr_px > 0):
        return None
    excess = max(one.elongation - elongation, 0.0) if math.isfinite(one.elongation) else 0.0
    own = one.hfr_sigma_px / one.hfr_px if math.isfinite(one.hfr_sigma_px) else 0.05
    radius_sigma = math.hypot(own, PRIORS.radius_lack, _SMEAR_RADIUS * excess)
    u, slope, shape, growth = at_radius(table, math.log(one.hfr_px))
    # Jitter as it shows in focus: how much radii scatter must not pass for a measure of defocus.
    jitter = PRIORS.seeing_jitter * slope.max(axis=1, keepdims=True)
    spread = np.hypot(jitter, radius_sigma) / slope
    height = 1 / slope
    if math.isfinite(one.shape):
        own = one.shape_scatter
        # The scatter that a night shows has the wobble in it.
        own = own if math.isfinite(own) else math.hypot(one.shape_sigma / one.shape, PRIORS.wobble)
        sigma = math.hypot(own, lack, _SMEAR_SHAPE * excess)
        # Rows of the grid are so far apart that the shape's own slope must not fall between them.
        bend = np.gradient(shape, STEP_ZONES, axis=1)
        wide = np.hypot(sigma, bend * STEP_ZONES / math.sqrt(12))
        t = (math.log(one.shape) - shape) / wide
        height = height * np.exp(-0.5 * t * t) / wide / math.sqrt(2 * math.pi)
    if table.field is not None and len(one.slopes):
        height = height * _field_factor(one, table, u)
    odds = PRIORS.wild / (1 - PRIORS.wild) * math.exp(min(excess / _SMEARED_WILD, 1.0) * 3.9)
    return Likelihood(u, spread, height, odds / (1 + odds), growth)


def _field_factor(one: Exposure, table: StarTable, u: np.ndarray) -> np.ndarray:
    """Likelihood of a frame's slopes of radius over the field at its seeing ``u``, (A, D)."""
    assert table.field is not None
    slopes, sigma = np.array(one.slopes), np.array(one.slopes_sigma)
    grid = table.log_seeing
    number = np.rint((u - grid[0]) / (grid[1] - grid[0])).astype(int)
    places = np.clip(number, 0, grid.size - 1), np.arange(u.shape[1])
    within = table.field.log_density(slopes, sigma, places)
    moved = table.field.log_density_without(slopes, sigma)
    return np.asarray(np.exp(np.where(np.asarray(table.fielded)[:, None], within, moved)))


def at_radius(table: StarTable, log_radius: float) -> tuple[np.ndarray, ...]:
    """Seeing that makes the radius at each defocus, d ln R / du, ln shape, growth there: (A, D)."""
    grid = table.log_seeing
    step = grid[1] - grid[0]
    rows = table.log_radius
    # ln R rises with the seeing: the place is where as many entries lie below.
    below = np.clip((rows < log_radius).sum(axis=2) - 1, 0, grid.size - 2)[..., None]
    low, high = (np.take_along_axis(rows, below + k, 2)[..., 0] for k in (0, 1))
    slope = np.maximum(high - low, 1e-3) / step
    u = grid[below[..., 0]] + (log_radius - low) / slope
    # Seeing beyond the grid cannot be; the seeing's course will say so.
    part = np.clip((log_radius - low) / slope / step, 0.0, 1.0)

    def read(values: np.ndarray) -> np.ndarray:
        first, second = (np.take_along_axis(values, below + k, 2)[..., 0] for k in (0, 1))
        return np.asarray(first + part * (second - first))

    least = rows - rows.min(axis=1, keepdims=True)
    return u, slope, read(table.log_shape), read(least)


def growth_without_radius(table: StarTable, log_seeing: float) -> np.ndarray:
    """Ln growth at each defocus under a given seeing, (A, D)."""
    rows = table.log_radius - table.log_radius.min(axis=1, keepdims=True)
    at = np.clip(np.searchsorted(table.log_seeing, log_seeing), 0, table.log_seeing.size - 1)
    return np.asarray(rows[:, :, at])
