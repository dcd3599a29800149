"""What is said of the focuser, the temperature and the field, against what was drawn.

Run: ``python scripts/focuser_trials.py --runs 500``

Writes scripts/results/focuser_trials.md. Sweeps are drawn at the level of best focus, stars at that
of radii; no pixels. The zone of L is 13.5 steps, a tenth of it 1.35.
"""

import argparse
import subprocess
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "comparison"))

from focuser_nights import (
    TEN,
    flat_start_night,
    nights_together,
    repeatability_covers,
    slip_trial,
    temperature_pull,
)
from star_fields import FRAME, UM_PER_STEP, drawn_sweep

from starsize.comparison.compared import FieldReport
from starsize.comparison.field import field_of_focus
from starsize.comparison.offsets.table import Scale
from starsize.estimate import Estimate

HERE = Path(__file__).parent
SCALE = Scale(um_per_step=Estimate(UM_PER_STEP))
ORDERS = {
    "L R G B twice, L R": TEN,
    "L R G three times, L": ("L", "R", "G") * 3 + ("L",),
    "L R five times": ("L", "R") * 5,
}


def slips(runs: int) -> list[str]:
    lines = [
        "| order of ten sweeps | scatter | in the right gap | false alarms | offsets rms "
        "| within sigma | beyond 3 sigma |",
        "|---|---|---|---|---|---|---|",
    ]
    for i, (name, order) in enumerate(ORDERS.items()):
        for j, scatter in enumerate((0.5, 1.0, 2.0)):
            rng = np.random.default_rng([15, i, j])
            trials = [slip_trial(rng, order=order, scatter=scatter) for _ in range(runs)]
            quiet = [
                slip_trial(rng, order=order, scatter=scatter, slip_steps=0.0) for _ in range(runs)
            ]
            error = np.array([t.error_steps for t in trials])
            sigma = np.array([t.sigma_steps for t in trials])
            lines.append(
                f"| {name} | {scatter} | {share(t.right for t in trials)} "
                f"| {share(t.seen for t in quiet)} | {np.sqrt(np.mean(error**2)):.2f} "
                f"| {share((error < sigma).ravel())} | {share((error > 3 * sigma).ravel())} |"
            )
    return lines


def repeats(runs: int) -> list[str]:
    lines = ["| twelve sweeps, scatter 3 steps | in the 68 % interval | mean of the estimates |"]
    lines.append("|---|---|---|")
    for i, order in enumerate((("L",) * 12, ("L", "R", "G") * 4, ("L", "R", "G", "B") * 3)):
        rng = np.random.default_rng([16, i])
        found = [repeatability_covers(rng, order=order) for _ in range(runs)]
        middle = np.mean([m for _, m in found])
        lines.append(f"| {len(set(order))} filters | {share(c for c, _ in found)} | {middle:.2f} |")
    return lines


def nights(runs: int) -> list[str]:
    lines = ["| three nights, scatter | best night's sigma over theirs | within sigma |"]
    lines.append("|---|---|---|")
    for i, scatter in enumerate((0.5, 1.0, 2.0)):
        rng = np.random.default_rng([17, i])
        rows = [row for _ in range(runs) for row in nights_together(rng, scatter=scatter)]
        error, sigma, best = np.array(rows).T
        covered = share(np.abs(error) < sigma)
        lines.append(f"| {scatter} | {np.median(best / sigma):.2f} | {covered} |")
    return lines


def play(runs: int) -> list[str]:
    rng = np.random.default_rng(18)
    seen = [flat_start_night(rng, 85.0).backlash_steps for _ in range(runs)]
    none = [flat_start_night(rng, 0.0).backlash_steps for _ in range(runs)]
    error = np.array([abs(p.value - 85) for p in seen])
    return [
        f"Play of 85 steps from three flat starts of 1.5 steps each: within 4 steps in "
        f"{share(error < 4)}, within 3 sigma in {share(error < [3 * p.sigma for p in seen])}; "
        f"reported where there is none in {share(p is not None for p in none)}."
    ]


def temperature(runs: int) -> list[str]:
    rng = np.random.default_rng(19)
    pull, relative = np.abs([temperature_pull(rng) for _ in range(runs)]).T
    return [
        f"-6 steps per degC over 4 degC, L R G B three times: within sigma {share(pull < 1)}, "
        f"within 3 sigma {share(pull < 3)}, within 5 % {share(relative < 0.05)}."
    ]


def field(runs: int) -> list[str]:
    lines = [
        "| field, 16 megapixels | stars | filters | x, um | y, um | bowl, um | significant |",
        "|---|---|---|---|---|---|---|",
    ]
    cases: tuple[tuple[tuple[float, float], float, dict[str, float], str], ...] = (
        ((60.0, 0.0), 0.0, {}, "L"),
        ((-60.0, 30.0), 60.0, {}, "L"),
        ((34.0, -20.0), 0.0, {}, "LRG"),
        ((0.0, 0.0), 0.0, {}, "L"),
        ((0.0, 0.0), 0.0, {"own_um": 20.0}, "L"),
    )
    for i, (tilt, bowl, options, names) in enumerate(cases):
        rng = np.random.default_rng([20, i])
        found = [
            field_of_focus(
                [drawn_sweep(rng, tilt_um=tilt, bowl_um=bowl, name=n, **options) for n in names],
                frame=FRAME,
                scale=SCALE,
            )
            for _ in range(runs)
        ]
        columns = [
            np.array([getattr(f, key).value for f in found])
            for key in ("tilt_x_um", "tilt_y_um", "curvature_um")
        ]
        shown = " | ".join(f"{c.mean():+.1f} +- {c.std():.1f}" for c in columns)
        extra = ", each 20 um off" if options else ""
        lines.append(
            f"| tilt {tilt[0]:g}, {tilt[1]:g} um, bowl {bowl:g} um | 200{extra} | {len(names)} "
            f"| {shown} | {share(isinstance(f, FieldReport) and f.significant for f in found)} |"
        )
    return lines


def share(said) -> str:
    return f"{100 * np.mean([bool(s) for s in said]):.1f} %"


def main(runs: int) -> None:
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True, text=True, check=False, cwd=HERE,
    ).stdout.strip()  # fmt: skip
    parts = [
        "# Focuser, temperature and field",
        f"`python scripts/focuser_trials.py --runs {runs}`, at commit {commit}.",
        f"## A slip of 40 steps, fits known to 0.5 steps, {runs} runs a row",
        "\n".join(slips(runs)),
        "## Repeatability",
        "\n".join(repeats(runs)),
        "## Nights together",
        "\n".join(nights(max(runs // 5, 20))),
        "## Play",
        *play(runs),
        "## Temperature",
        *temperature(runs),
        "## Field",
        "\n".join(field(max(runs // 2, 20))),
    ]
    out = HERE / "results" / "focuser_trials.md"
    out.parent.mkdir(exist_ok=True)
    out.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(out.read_text("utf-8"))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=500, help="runs a row")
    main(parser.parse_args().runs)
