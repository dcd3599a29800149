"""Kinds of drawn nights, and what came of them, kept so that a trial that was cut off goes on."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path

import numpy as np
from _results import commit

from starsize.night.model import NightPriors
from starsize.simulate.long_night import LongNightPlan

_COOLING = LongNightPlan(cooling_degC=5.0, zones_per_degC=0.7)
KINDS = {
    "quiet": LongNightPlan(),
    "drift": _COOLING,
    "hidden drift": replace(_COOLING, trend=-0.35),
    "slip": LongNightPlan(slip_frame=25, slip_zones=3.0),
    "hidden slip": LongNightPlan(slip_frame=25, slip_zones=2.5, trend=-0.3),
    "refocused": replace(_COOLING, refocus_each=15),
    "wrong offset": LongNightPlan(wrong_filter="G", wrong_zones=2.5),
    "cloud": LongNightPlan(clouds=2),
    "wind": LongNightPlan(winds=2),
    "seeing": LongNightPlan(wander=0.25, airmass=(1.05, 1.8)),
    "all at once": replace(
        _COOLING, clouds=1, winds=1, moon=3.0, airmass=(1.8, 1.05), flip_frame=30, refocus_each=30
    ),
}
BELIEVED = "as believed"
TOGETHER = "ten nights with one zone"
#: Zones of these telescopes hold less growth.
STRETCH = {"mirror_f4": 1.6}


def planned(kind: str, seed: int, far: float) -> LongNightPlan:
    """The plan of a night; what it leaves to chance is drawn."""
    if kind == TOGETHER:
        return LongNightPlan(wrong_filter="G", wrong_zones=far)
    if kind != BELIEVED:
        plan = stretched(KINDS[kind], far)
        return replace(plan, slip_frame=15 + seed * 7 % 25) if plan.slip_frame >= 0 else plan
    rng, p = np.random.default_rng([seed, 77]), NightPriors()
    turns, slip = 9.0, 9.0
    # The drawn table of radii ends at nine zones.
    while abs(turns) > 1.5 or abs(slip) > 5:
        turns, slip = float(rng.standard_normal()), float(rng.laplace(0, p.slip_zones))
    plan = LongNightPlan(
        start_zones=p.start_zones,
        walk_zones=p.walk_zones,
        cooling_degC=3.0,
        zones_per_degC=p.per_degC + p.per_degC_sigma * turns,
    )
    if rng.random() < 1 - (1 - p.slip_chance) ** plan.frames:
        plan = replace(plan, slip_frame=int(rng.integers(1, plan.frames)), slip_zones=slip)
    return plan


def stretched(plan: LongNightPlan, factor: float) -> LongNightPlan:
    """The same night with all of focus further off."""
    return replace(
        plan,
        zones_per_degC=plan.zones_per_degC * factor,
        slip_zones=plan.slip_zones * factor,
        wrong_zones=plan.wrong_zones * factor,
        start_zones=plan.start_zones * factor,
    )


@dataclass
class Tally:
    """What came of some nights."""

    frames: int = 0
    unclear: int = 0
    ideal_unclear: int = 0
    lost: list[bool] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    live: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)
    ideal: list[float] = field(default_factory=list)
    false: list[bool] = field(default_factory=list)
    zones: list[float] = field(default_factory=list)
    sigmas: list[float] = field(default_factory=list)
    said: list[float] = field(default_factory=list)
    named: list[bool] = field(default_factory=list)
    change: list[tuple[float, float]] = field(default_factory=list)
    sides: list[bool] = field(default_factory=list)
    ideal_named: list[bool] = field(default_factory=list)
    ideal_change: list[float] = field(default_factory=list)
    cause: list[bool] = field(default_factory=list)
    calls: list[tuple[float, bool]] = field(default_factory=list)


class Kept:
    """Nights of a telescope, drawn and judged at this commit: a trial that was cut off goes on."""

    def __init__(self, path: Path, title: str) -> None:
        self.path, self.title, self.commit = path, title, commit()
        lines = path.read_text("utf-8").splitlines() if path.exists() else []
        rows = [row for row in map(json.loads, lines) if row["at"] == [title, self.commit]]
        self.nights = {(r["kind"], r["seed"]): Tally(**r["tally"]) for r in rows}

    def has(self, kind: str, seed: int) -> bool:
        """Whether the night is there."""
        return (kind, seed) in self.nights

    def add(self, kind: str, seed: int, tally: Tally) -> None:
        """Keep a night."""
        self.nights[kind, seed] = tally
        row = {"at": [self.title, self.commit], "kind": kind, "seed": seed, "tally": asdict(tally)}
        with self.path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row, default=lambda value: value.item()) + "\n")

    def of(self, kind: str) -> list[Tally]:
        """The nights of a kind."""
        return [tally for (name, _), tally in self.nights.items() if name == kind]


def together(tallies: Sequence[Tally]) -> Tally:
    """Nights as one tally."""
    whole = Tally()
    for one in tallies:
        for part in fields(Tally):
            setattr(whole, part.name, getattr(whole, part.name) + getattr(one, part.name))
    return whole
