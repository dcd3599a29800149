"""How soon a drift can be called at all: the ideal observer of drawn nights, by speed and light.

The ideal observer is told the star exactly and doubts only defocus and seeing (`ideal_course` of
``night_trials.py``); each frame is judged by itself and those before it. Nights drift at several
speeds behind an air that wanders; frames are as usual (200 stars, the noise of `PointNoise`), or
show sixteen times as many stars, so that what is left is how shapes change from frame to frame by
guiding. Per speed and light:

- zones a frame: median speed of focus when the limit is passed
- in 4, delay: nights called within four frames of passing the limit for good, and median delay
- sure to: uncertainty of a frame's defocus, zones, at the frame of passing

A frame that is called must lie 1.64 of its sigmas beyond the limit (normal distribution, 95 %), so
that a drift is called after about 1.64 sigma / speed frames: within four of them where its speed
is at least 0.41 sigma a frame.

Run: ``python scripts/night_ideal.py``; the table becomes a section of ``scripts/results/night.md``.
"""

import argparse
from dataclasses import replace
from pathlib import Path

import numpy as np
from _nights import KINDS
from _results import write_section
from night_trials import LIMIT, delay, exposures_of, followed, ideal_course, make_worlds

from starsize.night.course import Course, prepare_course
from starsize.night.observed import with_scatter
from starsize.simulate.long_night import live_through
from starsize.simulate.long_night_points import PointNoise, draw_night_points

PER_DEGC = (0.5, 0.7, 1.0, 1.7)
USUAL = PointNoise()
RULE = (
    "A frame is called once it lies 1.64 of its sigmas beyond the limit: within four frames from "
    "a speed of 0.41 sigma a frame on."
)
LIGHTS = {
    "usual": USUAL,
    "sixteen times the stars": replace(USUAL, star_noise=USUAL.star_noise / 4),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--seed", type=int, default=601)
    asked = parser.parse_args()
    (world,) = make_worlds("triplet_f5.5", "figures", "kolmogorov", 0)
    ideal: Course | None = None
    rows = ["| light | zones a frame | in 4 | delay | sure to |", "|---|---|---|---|---|"]
    for light, noise in LIGHTS.items():
        for zones in PER_DEGC:
            late, speed, sure = [], [], []
            for seed in range(asked.seed, asked.seed + asked.nights):
                plan = replace(KINDS["drift"], zones_per_degC=zones)
                night = live_through(plan, seed=seed)
                points = draw_night_points(world.table, night, noise, seed=seed)
                exposures = with_scatter(exposures_of(world, night, points))
                # The course knows the telescope alone, so that one serves for all nights.
                ideal = ideal or ideal_course(
                    world, prepare_course(exposures, world.known, limit=LIMIT)
                )
                frames = followed(ideal, exposures)
                called = delay(frames, points.growth)
                if called is None:
                    continue
                passed = int(np.flatnonzero(points.growth <= LIMIT)[-1]) + 1
                late.append(called)
                speed.append(abs(night.focus_zones[passed] - night.focus_zones[passed - 1]))
                sure.append(frames[passed].defocus_sigma_zones)
            if late:
                soon = f"{100 * np.mean(np.array(late) <= 4):.0f} % of {len(late)}"
                rows.append(
                    f"| {light} | {np.median(speed):.3f} | {soon} | {np.median(late):.0f} "
                    f"| {np.median(sure):.2f} |"
                )
    title = "how soon a drift can be called: the ideal observer, triplet_f5.5"
    text = f"Seeds from {asked.seed}; limit 10 %. {RULE}"
    body = "\n".join([text, "", *rows])
    write_section(
        title,
        body,
        script="scripts/night_ideal.py",
        file=Path(__file__).parent / "results" / "night.md",
    )


if __name__ == "__main__":
    main()
