"""What came of drawn nights, kept so that a trial that was cut off goes on."""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path

from _results import commit


@dataclass
class Tally:
    """What came of some nights."""

    frames: int = 0
    unclear: int = 0
    lost: list[bool] = field(default_factory=list)
    held: list[bool] = field(default_factory=list)
    live: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)
    ideal: list[float] = field(default_factory=list)
    false: list[bool] = field(default_factory=list)
    zones: list[float] = field(default_factory=list)
    sigmas: list[float] = field(default_factory=list)
    named: list[bool] = field(default_factory=list)
    change: list[tuple[float, float]] = field(default_factory=list)
    sides: list[bool] = field(default_factory=list)
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
