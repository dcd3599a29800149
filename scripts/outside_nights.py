"""Random nights drawn by another library, through the whole program.

What they hold stands in ``_outside_night.py``. Of each night: frames without a radius; filters
without an offset, with the verdicts of their sweeps; the errors of the offsets against where
GalSim's own light is smallest, in zones (half the width of the critical focus zone of 550 nm) and
over their stated sigma.

Run: ``python scripts/outside_nights.py --first 1 --nights 20``; the table is a section of
``scripts/results/outside_nights.md``, headed by ``--title``.
"""

import argparse
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from _outside_night import draw_outside_night
from _results import RESULTS, write_section

from starsize import load_setup, measure_offsets

HEAD = "| night | stars | frames | left out | refused | errors, zones | over sigma |\n" + (
    "|---|---|---|---|---|---|---|"
)


def night(number: int) -> tuple[str, np.ndarray, int, int]:
    """A row of the table, (n, 2) errors in zones and sigmas, frames, and frames left out."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        true = draw_outside_night(folder, number)
        result = measure_offsets([folder], setup=load_setup(folder / "setup.toml"))
    frames = [frame for sweep in result.measured for frame in sweep.frames]
    left_out = sum(not np.isfinite(frame.radius_px) for frame in frames)
    stars = np.median([frame.n_stars for frame in frames])
    reference, errors, refused = result.comparison.reference, [], []
    for row in result.comparison.rows:
        if row.offset_steps is None or row.offset_sigma_steps is None:
            why = {fit.verdict for fit in result.curves.fits if fit.curve.filter == row.filter}
            refused.append(f"{row.filter} ({', '.join(sorted(why))})")
        elif row.filter != reference:
            error = row.offset_steps - (true[row.filter] - true[reference])
            errors.append((error / true["zone"], error / row.offset_sigma_steps))
    both = np.array(errors).reshape(-1, 2)
    zones, sigmas = (
        " ".join(f"{value:+.{d}f}" for value in both[:, k]) for k, d in ((0, 2), (1, 1))
    )
    cells = [
        number,
        f"{stars:.0f}",
        len(frames),
        left_out,
        "; ".join(refused) or "-",
        zones,
        sigmas,
    ]
    return "| " + " | ".join(map(str, cells)) + " |", both, len(frames), left_out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--title", default="Nights")
    asked = parser.parse_args()
    rows, errors, frames, left_out = [], [], 0, 0
    for number in range(asked.first, asked.first + asked.nights):
        row, own, count, lost = night(number)
        print(row, flush=True)
        rows.append(row)
        errors.append(own)
        frames, left_out = frames + count, left_out + lost
        write(asked.title, rows, np.concatenate(errors), f"{left_out} of {frames} frames left out")


def write(title: str, rows: list[str], errors: np.ndarray, kept: str) -> None:
    """The section so far, so that a long run that is cut off leaves what it has."""
    zones, sigmas = np.sqrt(np.mean(errors**2, axis=0)) if len(errors) else (0.0, 0.0)
    worst = np.abs(errors).max(axis=0, initial=0.0)
    text = f"{kept}; {len(errors)} offsets: rms {zones:.3f} zones (worst {worst[0]:.2f}), over "
    text += f"sigma rms {sigmas:.2f} (worst {worst[1]:.1f})."
    body = "\n".join([text, "", HEAD, *rows])
    file = RESULTS / "outside_nights.md"
    write_section(title, body, script="outside_nights.py", file=file)


if __name__ == "__main__":
    main()
