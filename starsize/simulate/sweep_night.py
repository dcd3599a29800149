"""Nights at the level of sweeps: best focus drawn directly, no frames and no curves."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..conventions import Approach

SEVEN_OFFSETS: Mapping[str, float] = {
    "L": 0.0, "R": 3.0, "G": -2.0, "B": 6.0, "Ha": 4.0, "SII": 5.0, "OIII": 80.0,
}  # fmt: skip
"""Offsets in steps of an invented set whose O III filter holds more glass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepDraw:
    """One sweep: what a curve would give, under which circumstances."""

    id: str
    filter: str
    best_steps: float
    sigma_steps: float
    temperature_degC: float
    time_mjd: float
    approach: Approach


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepNight:
    """The order of the sweeps and what happens to the telescope meanwhile.

    Attributes
    ----------
    order : tuple of str
        The filter of each sweep.
    offsets : mapping of str to float
        By filter, steps.
    fit_sigma, scatter : float
        The curves' own uncertainty, and the run-to-run scatter on top, steps.
    steps_per_degC, warm, cold : float
        Focus follows a temperature that falls from ``warm`` to ``cold``: evenly, or fast at first
        and ever more slowly where ``settling`` is above 0 (as exp(-settling t), t from 0 to 1).
    approach : Approach, or one a sweep
    backlash : float
        Reversal value, steps.
    slip_before, slip_steps : int, float
        From the sweep of this number (from 0) on best focus lies ``slip_steps`` further; none where
        negative.
    thermometer, clock : bool
        Are temperatures and times known.
    first_mjd, interval_min : float
        Time of the first sweep, and minutes from one to the next.
    zero_steps : float
        Where the focuser counts from this night.
    label : str
        In front of the sweeps' names.
    """

    order: tuple[str, ...] = ("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L")
    offsets: Mapping[str, float] = field(default_factory=lambda: dict(SEVEN_OFFSETS))
    fit_sigma: float = 1.0
    scatter: float = 1.0
    steps_per_degC: float = 0.0
    warm: float = 12.0
    cold: float = 12.0
    settling: float = 0.0
    approach: tuple[Approach, ...] | Literal["inward", "outward", "mixed", "unknown"] = "outward"
    backlash: float = 0.0
    slip_before: int = -1
    slip_steps: float = 0.0
    thermometer: bool = True
    clock: bool = True
    first_mjd: float = 60000.8
    interval_min: float = 15.0
    zero_steps: float = 10_000.0
    label: str = ""

    def draw(self, rng: np.random.Generator) -> tuple[SweepDraw, ...]:
        """One draw of the night."""
        n = len(self.order)
        ways = (self.approach,) * n if isinstance(self.approach, str) else self.approach
        warmth = self._temperatures()
        play = {"outward": self.backlash / 2, "inward": -self.backlash / 2}
        seen: dict[str, int] = {}
        made = []
        for i, name in enumerate(self.order):
            seen[name] = seen.get(name, 0) + 1
            best = self.zero_steps + self.offsets[name]
            best += self.steps_per_degC * (warmth[i] - self.warm) + play.get(ways[i], 0.0)
            best += self.slip_steps * (0 <= self.slip_before <= i)
            best += rng.normal(0, np.hypot(self.fit_sigma, self.scatter))
            made.append(
                SweepDraw(
                    id=f"{self.label}{name}-{seen[name]}",
                    filter=name,
                    best_steps=float(best),
                    sigma_steps=self.fit_sigma,
                    temperature_degC=float(warmth[i]) if self.thermometer else np.nan,
                    time_mjd=self.first_mjd + i * self.interval_min / 1440
                    if self.clock
                    else np.nan,
                    approach=ways[i],
                )
            )
        return tuple(made)

    def _temperatures(self) -> np.ndarray:
        """(n,) array."""
        t = np.linspace(0.0, 1.0, len(self.order))
        if self.settling:
            t = np.expm1(-self.settling * t) / np.expm1(-self.settling)
        return self.warm + (self.cold - self.warm) * t
