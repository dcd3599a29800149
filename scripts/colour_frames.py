"""Does the colour verdict hold on full frames? Simulated nights, three seeds each.

Run: ``python scripts/colour_frames.py [SCENARIO ...]``

Each night is drawn, written, read back and measured the way a person's own would be. Prints the
verdict, its cause, the odd filters with their extra glass, and the errors of the offsets against
the simulator's truth, in steps and in stated sigmas.
"""

import argparse
import tempfile
import time
from pathlib import Path

from starsize import load_setup, measure_offsets
from starsize.simulate import write_practice_night

EXPECTED = {
    "parfocal_refractor": ("together", None, {}),
    "colour_camera": ("apart", "telescope", {}),
    "achromat": ("apart", "telescope", {}),
    "one_thick_filter": ("apart", "glass", {"OIII": 1.0}),
    "good_colour_camera": ("together", None, {}),
}
SEEDS = (1, 2, 3)


def measured(scenario: str, seed: int):
    """Truth and comparison of one practice night."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        truth = write_practice_night(folder, scenario=scenario, seed=seed)
        result = measure_offsets([folder], setup=load_setup(folder / "setup.toml"))
    return truth, result.comparison


def row(scenario: str, seed: int) -> str:
    start = time.process_time()
    truth, found = measured(scenario, seed)
    colour = found.colour
    verdict, cause, glass = EXPECTED[scenario]
    odd = {o.filter: o.extra_glass_mm for o in colour.odd_filters}
    right = (colour.verdict, colour.cause) == (verdict, cause) and odd.keys() == glass.keys()
    right = right and all(abs(odd[name].value - mm) <= 0.05 for name, mm in glass.items())
    pulls = []
    for line in found.rows:
        if line.status == "measured" and line.filter != found.reference:
            true = truth.best_focus_steps[line.filter] - truth.best_focus_steps[found.reference]
            error = line.offset_steps - true
            pulls.append(f"{line.filter} {error:+.1f} ({error / line.offset_sigma_steps:+.1f})")
    said = ", ".join(f"{n} {g.value:+.3f} +- {g.sigma:.3f} mm" for n, g in odd.items())
    return (
        f"| {scenario} | {seed} | {'yes' if right else 'NO'} | {colour.verdict} | {colour.cause} "
        f"| {said or 'none'} | {'; '.join(pulls)} | {time.process_time() - start:.0f} |"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scenarios", nargs="*", metavar="SCENARIO", help=", ".join(EXPECTED))
    asked = parser.parse_args().scenarios
    if unknown := set(asked) - set(EXPECTED):
        parser.error(f"no expectation for {', '.join(sorted(unknown))}")
    print("| night | seed | as expected | verdict | cause | odd filters | offset errors | CPU s |")
    print("|---|---|---|---|---|---|---|---|")
    for name in asked or EXPECTED:
        for number in SEEDS:
            print(row(name, number), flush=True)
