"""Single frames of real doughnuts on skies as people have them: found whole, and how large.

    python scripts/doughnut_frames.py [--frames 200] [--first 0]

One to five rings of one size (half-flux radius 4 to 24 px, the brightest of signal-to-noise 30 to
1,000) in images of 220 to 900 pixels a side, some with a steep sky, some with hot pixels. Each is
measured alone. Writes its section of scripts/results/doughnut_sweeps.md.
"""

import argparse

import numpy as np
from _results import RESULTS, write_section
from doughnut_sweeps import FINE, add_star, load_stamps, star

from starsize.photometry import measure_image

#: Further off than this share counts as wrong, if it is this many sigmas too.
WRONG, SIGMAS = 0.03, 3.5


def half_flux_px(fine):
    """Half-flux radius of a star on the fine grid, pixels."""
    y, x = np.indices(fine.shape)
    cy, cx = ((k * fine).sum() / fine.sum() for k in (y, x))
    distance = np.hypot(x - cx, y - cy).ravel()
    order = np.argsort(distance)
    inside = np.cumsum(fine.ravel()[order]) / fine.sum()
    return float(np.interp(0.5, inside, distance[order])) / FINE


def draw(stamps, seed):
    """An image and the half-flux radius of its stars."""
    rng = np.random.default_rng(seed)
    fine = star(stamps[rng.integers(len(stamps))], np.exp(rng.uniform(*np.log([4, 24]))), 2.5)
    radius, (ny, nx) = half_flux_px(fine), rng.integers(220, 900, 2)
    image = np.full((ny, nx), rng.uniform(100, 3000))
    if rng.random() < 0.5:
        image *= 1 + rng.uniform(0, 0.5) * np.linspace(-0.5, 0.5, nx)
    noise = np.sqrt(image.mean() + 5.0**2)
    room = 3 * radius
    places: list[np.ndarray] = []
    for bright in 10 ** np.r_[rng.uniform(1.5, 3), rng.uniform(1, 3, rng.integers(0, 5))]:
        place = rng.uniform((room, room), (nx - room, ny - room))
        if all(np.hypot(*(place - other)) > 2 * room for other in places):
            places.append(place)
            add_star(image, fine, place, bright * noise * np.sqrt(4 * np.pi) * radius)
    image = rng.poisson(image) + rng.normal(0, 5, image.shape)
    if rng.random() < 0.3:
        image[rng.integers(0, ny, 30), rng.integers(0, nx, 30)] += rng.uniform(100, 3e4, 30)
    return image.astype(np.float32), radius


def judge(draw, title, *, script):
    """Measure frames of seeds that the command line names, and write a section of results."""
    parser = argparse.ArgumentParser(description=title)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    lines: list[str] = []
    off, pull = np.full((2, asked.frames), np.nan)
    for k in range(asked.frames):
        seed = asked.first + k
        image, truth = draw(seed)
        found = measure_image(image, gain_e_per_adu=1.0).radius
        off[k] = found.radius_px / truth - 1
        pull[k] = (found.radius_px - truth) / found.radius_sigma_px
        if not (abs(off[k]) < WRONG or abs(pull[k]) < SIGMAS):
            lines.append(
                f"    {seed}: {truth:.1f} px, {image.shape}, read {100 * off[k]:+.1f} % off, "
                f"{pull[k]:+.1f} sigma, {found.n_stars} of {found.n_found} stars, {found.reason}"
            )
            print(lines[-1], flush=True)
    good = np.abs(off) < WRONG
    text = (
        f"Seeds from {asked.first}: {asked.frames} frames, {np.isnan(off).sum()} without an "
        f"answer, {len(lines)} in all wrong (over {100 * WRONG:.0f} % and {SIGMAS} sigma, or no "
        f"answer). Of those within: {100 * np.std(off[good]):.2f} % rms, mean "
        f"{100 * np.mean(off[good]):+.2f} %, error over sigma {np.std(pull[good]):.2f} rms; of all "
        f"{1.4826 * np.nanmedian(np.abs(pull)):.2f} robust."
    )
    print(text)
    write_section(
        title, "\n".join([text, "", *lines]).rstrip(),
        script=script, file=RESULTS / "doughnut_sweeps.md",
    )  # fmt: skip


if __name__ == "__main__":
    stamps = load_stamps()
    judge(
        lambda seed: draw(stamps, seed),
        "Single frames on skies of all kinds",
        script="doughnut_frames.py",
    )
