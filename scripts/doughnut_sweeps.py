"""Focus sweeps made of real doughnuts: which frames are kept, and how well best focus comes out.

    python scripts/doughnut_sweeps.py [--seeds 20] [--only 3]

Real images of stars far out of focus (testdata/real/decam_donuts) are scaled as geometry has it
with defocus, turned by half a turn on the other side of focus, blurred by seeing and put on a sky
with noise: 1 to 8 stars, 11 positions. Writes scripts/results/doughnut_sweeps.md.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.ndimage import zoom
from scipy.signal import fftconvolve

from starsize.curves import fit_curves
from starsize.frames.frame import FrameFacts, Sweep
from starsize.pipeline import curve_of
from starsize.tracking import measure_sweeps

ROOT = Path(__file__).parents[1]
STAMPS = ROOT / "testdata" / "real" / "decam_donuts"
SHAPE = (420, 560)
SPACING = 100.0
#: Cells of the fine grid to a pixel, and cells of the enlarged stamp to one of its own pixels.
FINE, ENLARGED = 3, 4
#: Half-flux radius of the stamps, pixels.
STAMP_RADIUS = 17.2


def load_stamps():
    """The light of each stamp and of nothing else, enlarged."""
    stamps = []
    for path in sorted(STAMPS.glob("*.fits")):
        image = fits.getdata(path).astype(float)
        y, x = np.indices(image.shape)
        image -= np.median(image[np.hypot(x - x.mean(), y - y.mean()) > 29])
        cy, cx = ((k * image).sum() / image.sum() for k in (y, x))
        image[np.hypot(x - cx, y - cy) > 28] = 0
        light = zoom(image, ENLARGED, order=1, grid_mode=True, mode="grid-constant")
        stamps.append(light / light.sum())
    return stamps


def star(stamp, radius_px, fwhm_px):
    """A doughnut of this half-flux radius (negative: turned) behind seeing, on the fine grid."""
    half = FINE * int(abs(radius_px) * 2.2 + 8 * fwhm_px)
    y, x = np.indices(stamp.shape)
    scale = FINE * radius_px / STAMP_RADIUS / ENLARGED
    cy, cx = ((k * stamp).sum() for k in (y, x))
    edges = np.arange(-half, half + 2) - 0.5
    rows, columns = ((y - cy) * scale).ravel(), ((x - cx) * scale).ravel()
    light, _, _ = np.histogram2d(rows, columns, bins=(edges, edges), weights=stamp.ravel())
    r = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1]) / FINE
    alpha = fwhm_px / (2 * np.sqrt(2 ** (1 / 3.5) - 1))
    seeing = (1 + (r / alpha) ** 2) ** -3.5
    return fftconvolve(light, seeing / seeing.sum(), mode="same")


def add_star(image, fine, place, flux):
    """Sum a fine star into the pixels of an image, centred on ``place`` (x, y)."""
    half = fine.shape[0] // 2
    x, y = place
    corner = [round(c * FINE) - half for c in (y, x)]
    # Fine cell 0 of a pixel lies (FINE - 1) / 2 cells before its middle.
    first = [(c + (FINE - 1) // 2) // FINE for c in corner]
    before = [(c + (FINE - 1) // 2) - FINE * f for c, f in zip(corner, first, strict=True)]
    size = -(-(fine.shape[0] + max(before)) // FINE)
    padded = np.zeros((size * FINE, size * FINE))
    padded[before[0] : before[0] + len(fine), before[1] : before[1] + len(fine)] = fine
    stamp = flux * padded.reshape(size, FINE, size, FINE).sum(axis=(1, 3))
    top, left = (max(-f, 0) for f in first)
    part = image[max(first[0], 0) : first[0] + size, max(first[1], 0) : first[1] + size]
    part += stamp[top : top + part.shape[0], left : left + part.shape[1]]


def draw_sweep(folder, stamps, seed):
    """Write a sweep; hand it back with the true best focus."""
    rng = np.random.default_rng(seed)
    n_stars = 1 + seed % 8
    places = rng.uniform((40, 40), (SHAPE[1] - 40, SHAPE[0] - 40), (n_stars, 2))
    # One at least can be seen by anybody in every frame.
    flux = 10 ** np.r_[rng.uniform(4.3, 5.6), rng.uniform(3.6, 5.6, n_stars - 1)]
    chosen = rng.integers(len(stamps), size=n_stars)
    best = rng.uniform(-0.4, 0.4) * SPACING
    widest, fwhm = rng.uniform(6, 11), rng.uniform(2.2, 3.5)
    frames = []
    for k, position in enumerate(SPACING * np.arange(-5, 6)):
        image = np.full(SHAPE, 600.0)
        radius, seeing = widest * (position - best) / (5 * SPACING), fwhm * rng.normal(1, 0.03)
        drift = rng.normal(0, 2, 2)
        for place, light, which in zip(places, flux, chosen, strict=True):
            add_star(image, star(stamps[which], radius, seeing), place + drift, light)
        image = rng.poisson(image) + rng.normal(0, 5, SHAPE)
        path = Path(folder) / f"{seed}_{k:02d}.fits"
        fits.writeto(path, np.clip(np.rint(image), 0, 65535).astype(np.uint16), overwrite=True)
        facts = FrameFacts(path=path, shape=SHAPE, filter="L", position_steps=float(position))
        frames.append(facts)
    return Sweep(id="L-1", filter="L", frames=tuple(frames)), best


def trial(stamps, seed):
    """Frames left out with their reasons, best focus minus truth in spacings, and over sigma."""
    with tempfile.TemporaryDirectory() as folder:
        sweep, best = draw_sweep(folder, stamps, seed)
        (measured,) = measure_sweeps([sweep])
    reasons = [(f.facts.position_steps, f.reason) for f in measured.frames if f.reason]
    (fit,) = fit_curves([curve_of(measured)]).fits
    wrong = fit.best_steps - best
    unused = [n for n, used in zip(fit.curve.names, fit.used, strict=True) if not used]
    return reasons, fit.answered, wrong / SPACING, wrong / fit.best_sigma_steps, unused


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--only", type=int)
    arguments = parser.parse_args()
    stamps = load_stamps()
    seeds = range(arguments.seeds) if arguments.only is None else [arguments.only]
    lines = [
        f"Seeds {seeds[0]} to {seeds[-1]}, 11 positions each.",
        "",
        "| seed | stars | frames left out | answered | best focus off, spacings | over sigma |",
        "|---|---|---|---|---|---|",
    ]
    found = []
    for seed in seeds:
        reasons, answered, wrong, pull, unused = trial(stamps, seed)
        found.append((len(reasons), answered, wrong, pull))
        lines.append(
            f"| {seed} | {1 + seed % 8} | {len(reasons)} | {'yes' if answered else 'no'} "
            f"| {wrong:+.3f} | {pull:+.2f} |"
        )
        print(lines[-1], *reasons, *unused)
    out, answered, wrong, pull = (np.array(column, float) for column in zip(*found, strict=True))
    lines += [
        "",
        f"Frames left out: {out.sum():.0f} of {11 * len(seeds)}; sweeps refused: "
        f"{(answered == 0).sum()}; best focus off by {np.sqrt(np.mean(wrong**2)):.3f} spacings rms "
        f"(most {np.abs(wrong).max():.3f}), over its sigma {np.sqrt(np.mean(pull**2)):.2f} rms "
        f"(most {np.abs(pull).max():.2f}).",
    ]
    print(lines[-1])
    if arguments.only is None:
        from _results import RESULTS, write_section  # tests load this file by its path

        file = RESULTS / "doughnut_sweeps.md"
        write_section("Sweeps", "\n".join(lines), script="doughnut_sweeps.py", file=file)


if __name__ == "__main__":
    main()
