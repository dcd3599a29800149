"""Single frames drawn at random by GalSim: found, and how large.

    python scripts/random_frames.py [--frames 200] [--first 0]

Moffat stars, discs and rings behind seeing (half-flux radius 0.8 to 16 px), 1 to 200 of them in
images of 90 to 700 pixels a side, on skies level, vignetted, with a hump or in waves, some with hot
pixels. Truth is the radius of half of all the light as it falls. Writes its section of
scripts/results/doughnut_sweeps.md.
"""

import galsim
import numpy as np
from doughnut_frames import judge
from star_accuracy import true_half


def star(rng):
    """A star and its half-flux radius, pixels."""
    half = np.exp(rng.uniform(*np.log([0.8, 16])))
    beta = rng.uniform(2.4, 5)
    if rng.random() < 0.5 or half < 1.5:
        shape = galsim.Moffat(beta=beta, half_light_radius=half)
    else:
        rim, hole = 1.25 * half, rng.choice([0, rng.uniform(0.2, 0.5)])
        pupil = galsim.TopHat(rim, flux=1 / (1 - hole**2))
        if hole:
            pupil -= galsim.TopHat(rim * hole, flux=hole**2 / (1 - hole**2))
        seeing = galsim.Moffat(beta=beta, half_light_radius=half * rng.uniform(0.15, 0.6))
        shape = galsim.Convolve(pupil, seeing)
    return shape, true_half(shape, half)


def sky(rng, shape):
    """The sky's light."""
    y, x = (np.mgrid[: shape[0], : shape[1]].T / shape - 0.5).T
    kind = rng.choice(["level", "vignetted", "hump", "waves"])
    if kind == "vignetted":
        form = 1 - rng.uniform(0.2, 1) * (x**2 + y**2)
    elif kind == "hump":
        far = np.hypot(x - rng.uniform(-0.5, 0.5), y - rng.uniform(-0.5, 0.5))
        form = 1 + rng.uniform(0.1, 0.6) * np.exp(-0.5 * (far / rng.uniform(0.25, 0.6)) ** 2)
    elif kind == "waves":
        phase, angle = rng.uniform(0, 2 * np.pi, 2)
        along = x * shape[1] * np.cos(angle) + y * shape[0] * np.sin(angle)
        form = 1 + rng.uniform(0.01, 0.06) * np.cos(2 * np.pi * along / 200 + phase)
    else:
        form = np.ones(shape)
    return np.exp(rng.uniform(*np.log([50, 5000]))) * form


def draw(seed):
    """An image and the half-flux radius of its stars."""
    rng = np.random.default_rng(seed)
    shape = tuple(rng.integers(90, 700, 2))
    light, half = star(rng)
    image = sky(rng, shape)
    noise = np.sqrt(image.mean() + 5.0**2)
    most = max(1, min(200, int(image.size / (12 * half) ** 2)))
    count = int(np.exp(rng.uniform(0, np.log(most + 1))))
    bright = np.minimum(rng.pareto(1.1, count) + 1, 100)
    bright *= 10 ** rng.uniform(1.5, 3) / bright.max() * noise * np.sqrt(4 * np.pi) * half
    size, margin = 2 * int(10 * half + 12) + 1, min(3 * half, min(shape) / 2 - 1)
    for flux in bright:
        x, y = rng.uniform((margin, margin), (shape[1] - margin, shape[0] - margin))
        stamp = galsim.ImageD(size, size, scale=1.0)
        stamp.setCenter(round(x), round(y))
        light.withFlux(flux).drawImage(stamp, center=galsim.PositionD(x, y))
        shared = stamp.bounds & galsim.BoundsI(0, int(shape[1]) - 1, 0, int(shape[0]) - 1)
        image[shared.ymin : shared.ymax + 1, shared.xmin : shared.xmax + 1] += stamp[shared].array
    image = rng.poisson(np.maximum(image, 0)) + rng.normal(0, 5, shape)
    if rng.random() < 0.3:
        image[rng.integers(0, shape[0], 30), rng.integers(0, shape[1], 30)] += 10 ** rng.uniform(
            2, 4.5, 30
        )
    return image.astype(np.float32), half


if __name__ == "__main__":
    judge(draw, "Single frames drawn at random", script="random_frames.py")
