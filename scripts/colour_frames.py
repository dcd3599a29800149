"""Does the colour verdict hold on full frames? Simulated nights, written, read back and measured.

Run: ``python scripts/colour_frames.py --scenes colour_camera --seeds 50``. Each scene is a section
of scripts/results/colour.md: how often verdict and cause are as expected, odd filters with their
extra glass within 0.05 mm, and the errors of the offsets against the simulator's truth.
"""

import argparse
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from _results import RESULTS, write_section

from starsize import load_setup, measure_offsets
from starsize.simulate import write_practice_night

EXPECTED = {
    "parfocal_refractor": ("together", None, {}),
    "colour_camera": ("apart", "telescope", {}),
    "achromat": ("apart", "telescope", {}),
    "one_thick_filter": ("apart", "glass", {"OIII": 1.0}),
    "good_colour_camera": ("together", None, {}),
}


def measured(scenario: str, seed: int):
    """Truth and comparison of one practice night."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        truth = write_practice_night(folder, scenario=scenario, seed=seed)
        result = measure_offsets([folder], setup=load_setup(folder / "setup.toml"))
    return truth, result.comparison


def night(scenario: str, seed: int) -> tuple[str, bool, list[tuple[str, float, float]]]:
    """What is said, whether it is as expected, and by filter the error in zones and in sigmas."""
    truth, found = measured(scenario, seed)
    colour = found.colour
    verdict, cause, glass = EXPECTED[scenario]
    odd = {o.filter: o.extra_glass_mm for o in colour.odd_filters}
    right = (colour.verdict, colour.cause) == (verdict, cause) and odd.keys() == glass.keys()
    right = right and all(abs(odd[name].value - mm) <= 0.05 for name, mm in glass.items())
    errors = []
    for line in found.rows:
        if line.status == "measured" and line.filter != found.reference:
            true = truth.best_focus_steps[line.filter] - truth.best_focus_steps[found.reference]
            error = line.offset_steps - true
            zones = error / truth.zone_steps[line.filter]
            errors.append((line.filter, zones, error / line.offset_sigma_steps))
    return f"{colour.verdict}, {colour.cause}", right, errors


def scene(scenario: str, seeds: int) -> str:
    said: Counter[str] = Counter()
    rights, errors = [], []
    for seed in range(1, seeds + 1):
        words, right, own = night(scenario, seed)
        said[words] += 1
        rights.append(right)
        errors += own
        shown = "; ".join(f"{n} {zones:+.3f} ({pull:+.1f})" for n, zones, pull in own)
        print(f"{scenario} {seed}: {words}; as expected: {right}; {shown}", flush=True)
    lines = [
        f"Verdict, cause: {'; '.join(f'{w}: {n}' for w, n in said.most_common())}. "
        f"All as expected: {sum(rights)} of {seeds}.",
        "",
        "| filter | rms error, zones | mean | worst | error over stated, rms | worst |",
        "|---|---|---|---|---|---|",
    ]
    for name in dict.fromkeys(n for n, _, _ in errors):
        zones, pulls = np.array([(z, p) for n, z, p in errors if n == name]).T
        lines.append(
            f"| {name} | {np.sqrt(np.mean(zones**2)):.3f} | {zones.mean():+.3f} "
            f"| {np.abs(zones).max():.3f} | {np.sqrt(np.mean(pulls**2)):.2f} "
            f"| {np.abs(pulls).max():.1f} |"
        )
    return "\n".join(lines)


def main(scenes: list[str], seeds: int) -> None:
    for name in scenes:
        write_section(
            name,
            scene(name, seeds),
            script=f"colour_frames.py --scenes {name} --seeds {seeds}",
            file=RESULTS / "colour.md",
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", default=",".join(EXPECTED), help="some of them, by commas")
    parser.add_argument("--seeds", type=int, default=3, help="nights of each")
    asked = parser.parse_args()
    if unknown := set(asked.scenes.split(",")) - set(EXPECTED):
        parser.error(f"no expectation for {', '.join(sorted(unknown))}")
    main(asked.scenes.split(","), asked.seeds)
