"""Cost of judging a night of exposures, beside that of measuring its frames.

    python scripts/bench/bench_night.py

A result folder is learnt from and nights are judged, filters asked, from drawn radii; one invented
frame of 6248 x 4176 pixels is measured. CPU times of one thread; the table becomes a section of
``scripts/results/night.md``.
"""

import os
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

sys.path.insert(0, str(Path(__file__).parents[1]))
import night_trials
from _nights import KINDS
from _results import write_section
from starfields_stars import SHAPE, star_field, write_field

from starsize.frames import read_facts
from starsize.night import judge_night, learn_shape
from starsize.photometry.law import growth_bank
from starsize.simulate.long_night import live_through
from starsize.simulate.long_night_points import PointNoise, draw_night_points
from starsize.tracking import measure_files

FRAMES = (60, 300)


def seconds(work, *args):
    """CPU seconds of a call, and what it returns."""
    begin = time.process_time()
    done = work(*args)
    return time.process_time() - begin, done


def measuring():
    """CPU seconds of measuring a frame."""
    growth_bank()
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "frame.fits"
        write_field(path, star_field(5, n_stars=3000, shape=SHAPE))
        each = [seconds(measure_files, [read_facts(path)])[0] for _ in range(3)]
    return min(each)


def main() -> None:
    frame = measuring()
    learning = []

    def learn(equipment, frames):
        cost, learnt = seconds(learn_shape, equipment, frames)
        learning.append(cost)
        return learnt

    vars(night_trials).update(learn_shape=learn, FOLDERS=1)
    world = night_trials.make_worlds("triplet_f5.5", "sweeps", "kolmogorov", 201)[0]
    lines = [f"One frame of 26 megapixels: {frame:.2f} s. Learning from a folder of 66 frames: "
             f"{learning[0]:.1f} s.", "",
             "| night | frames | judged in, s | learnt and judged, share of measuring |",
             "|---|---|---|---|"]  # fmt: skip
    for count in FRAMES:
        for kind in ("drift", "wrong offset"):
            # As many frames in as many hours more.
            plan = replace(KINDS[kind], frames=count)
            night = live_through(plan, seed=201)
            points = draw_night_points(world.table, night, PointNoise(), seed=201)
            exposures = night_trials.exposures_of(world, night, points)
            cost, _ = seconds(judge_night, exposures, world.known)
            share = (learning[0] + cost) / (count * frame)
            lines.append(f"| {kind} | {count} | {cost:.1f} | {share:.2f} |")
            print(lines[-1], flush=True)
    body = "\n".join(lines)
    write_section("cost", body, script="scripts/bench/bench_night.py", file=night_trials.RESULT)


if __name__ == "__main__":
    main()
