"""Tilt and bowl from drawn frames through the whole program, against what was drawn.

Run: ``python scripts/field_frames.py --seeds 2``; ``--cases tilt,flat`` for some of them. Adds its
table to scripts/results/focuser_trials.md.

The telescope is the refractor of the scenarios, 480 mm at f/5.5 with steps of 4 um. Its frames have
1000 x 760 pixels and about 200 stars: fewer pixels than a camera's 16 million between the stars, as
many stars, sharp or blurred by as many pixels.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

from _results import write_section

from starsize import load_setup, measure_offsets
from starsize.reports.result import RunResult
from starsize.simulate import SCENARIOS, Night, simulate_night, write_night
from starsize.simulate.scene import StarField

BASE = SCENARIOS["tilted_camera"]


@dataclass(frozen=True)
class Case:
    """A field and the filters it is swept with."""

    tilt_um: tuple[float, float] = (0.0, 0.0)
    bowl_um: float = 0.0
    order: tuple[str, ...] = ("L",)
    half: bool = False


CASES = {
    "tilt": Case((60.0, 0.0)),
    "tilt down": Case((0.0, -60.0)),
    "bowl": Case((0.0, 0.0), 60.0),
    "tilt and bowl": Case((-60.0, 30.0), -60.0),
    "small tilt": Case((34.0, -20.0), 0.0, ("L", "R", "G")),
    "half": Case((60.0, 0.0), 0.0, ("L", "R", "G", "B", "Ha", "L"), half=True),
    "flat": Case(),
}


def drawn(case: Case, seed: int) -> Night:
    """A night of the case."""
    scene = BASE.scene
    lens = replace(
        scene.lens,
        tilt_x_um=case.tilt_um[0],
        tilt_y_um=case.tilt_um[1],
        curvature_um=case.bowl_um,
    )
    stars = StarField(count=200, seed=seed, right_only=("Ha",) if case.half else ())
    scene = replace(scene, lens=lens, stars=stars, sensor=replace(scene.sensor, shape=(760, 1000)))
    return simulate_night(scene, replace(BASE.plan, order=case.order), seed=seed)


def measured(night: Night) -> RunResult:
    """The night through files and the whole program."""
    with TemporaryDirectory() as folder:
        write_night(Path(folder), night, compressed=False)
        return measure_offsets([folder], setup=load_setup(Path(folder) / "setup.toml"))


def row(name: str, case: Case, seed: int) -> str:
    """One night: found against drawn."""
    night = drawn(case, seed)
    result = measured(night)
    field = result.comparison.field
    said = f"| {name} | {seed} | {case.tilt_um[0]:+g}, {case.tilt_um[1]:+g}, {case.bowl_um:+g} "
    if field is None:
        return f"{said}| refused | | | | | |"
    found = (field.tilt_x_um, field.tilt_y_um, field.curvature_um)
    true = (*case.tilt_um, case.bowl_um)
    far = max(abs(f.value - t) / f.sigma for f, t in zip(found, true, strict=True))
    words = ", ".join(f"{f.value:+.1f} ± {f.sigma:.1f}" for f in found)
    offsets = []
    for r in result.comparison.rows:
        if r.filter != result.comparison.reference and r.offset_steps is not None:
            error = r.offset_steps - night.truth.offset_steps[r.filter]
            zone, sigma = night.truth.zone_steps[r.filter], r.offset_sigma_steps or float("nan")
            offsets.append(f"{r.filter} {error / zone:+.3f} ({error / sigma:+.1f})")
    said += f"| {field.stars} | {words} | {far:.1f} | {'yes' if field.significant else 'no'} "
    return f"{said}| {field.towards_telescope or ''} | {', '.join(offsets)} |"


def main(cases: Sequence[str], seeds: Sequence[int]) -> None:
    head = [
        "| night | seed | drawn x, y, bowl (um) | stars | found (um) | worst / sigma | significant "
        "| towards telescope | offsets: error in zones (in sigma) |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    rows = []
    for name in cases:
        for seed in seeds:
            rows.append(row(name, CASES[name], seed))
            print(rows[-1], flush=True)
    title = "Field from frames: " + ", ".join(cases)
    write_section(title, "\n".join([*head, *rows]), script=f"field_frames.py, seeds {list(seeds)}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", default=",".join(CASES), help="some of them, by commas")
    parser.add_argument("--seeds", default="1,2", help="seeds, by commas")
    chosen = parser.parse_args()
    main(chosen.cases.split(","), [int(s) for s in chosen.seeds.split(",")])
