"""How right the radii of single images are, by seeded Monte Carlo; writes results/star_accuracy.md.

Stars are drawn by GalSim: Gaussian, Moffat, Kolmogorov, a disc and an annulus behind Moffat seeing,
a defocused pupil by waves. Truth is the radius of half of all the light as it falls, from the same
profile on a fine grid without pixels. Signal-to-noise ratio is that of the light inside 1.4
half-flux radii. Run: ``python scripts/star_accuracy.py`` (three minutes).
"""

import argparse
from pathlib import Path

import galsim
import numpy as np

from starsize.photometry import measure_image

NOISE, GAIN, SKY, SIDE = 10.0, 1.0, 500.0, 7
RESULTS = Path(__file__).parent / "results" / "star_accuracy.md"
PROFILES = ("gauss", "moffat 2.5", "moffat 3.5", "moffat 4.8", "kolmogorov", "disc", "annulus")


def profile(name: str, half: float) -> galsim.GSObject:
    """Return a star about so large."""
    seeing = galsim.Moffat(beta=3.5, half_light_radius=0.25 * half)
    if name == "gauss":
        return galsim.Gaussian(half_light_radius=half)
    if name.startswith("moffat"):
        return galsim.Moffat(beta=float(name.split()[1]), half_light_radius=half)
    if name == "kolmogorov":
        return galsim.Kolmogorov(half_light_radius=half)
    if name == "disc":
        return galsim.Convolve(galsim.TopHat(1.35 * half), seeing)
    rim, hole = 1.25 * half, 0.35
    pupil = galsim.TopHat(rim, flux=1 / (1 - hole**2))
    pupil -= galsim.TopHat(rim * hole, flux=hole**2 / (1 - hole**2))
    return galsim.Convolve(pupil, seeing)


def true_half(star: galsim.GSObject, half: float) -> float:
    """Radius of half of the light, without pixels."""
    n, scale = 800, half / 40
    light = star.drawImage(nx=2 * n + 1, ny=2 * n + 1, scale=scale, method="no_pixel").array
    r = np.hypot(*np.mgrid[-n : n + 1, -n : n + 1]).ravel() * scale
    order = np.argsort(r)
    return float(np.interp(0.5, np.cumsum(light.ravel()[order]), r[order]))


def draw(star: galsim.GSObject, half: float, snr: float, rng: np.random.Generator) -> np.ndarray:
    """Draw stars of one brightness, each on a square of its own, anywhere within a pixel."""
    area, share, half_size = np.pi * (1.4 * half) ** 2, 0.65, int(9 * half + 12)
    flux = (snr**2 / GAIN + np.sqrt((snr**2 / GAIN) ** 2 + 4 * (snr * NOISE) ** 2 * area)) / 2
    size = 2 * half_size + 1
    light = np.zeros((SIDE * size, SIDE * size))
    for j in range(SIDE):
        for i in range(SIDE):
            stamp = star.withFlux(flux / share).drawImage(
                nx=size, ny=size, scale=1.0, offset=tuple(rng.uniform(-0.5, 0.5, 2))
            )
            light[j * size : (j + 1) * size, i * size : (i + 1) * size] += stamp.array
    noise = np.sqrt(NOISE**2 + np.maximum(light, 0) / GAIN)
    return SKY + light + rng.standard_normal(light.shape) * noise


def row(name: str, half: float, images: int) -> str:
    """Return one line of the table."""
    star = profile(name, half)
    truth, cells = true_half(star, half), []
    for snr in (30, 300):
        rng = np.random.default_rng(int(snr + 100 * half))
        frames, pulls = [], []
        for _ in range(images):
            measured = measure_image(draw(star, half, snr, rng), gain_e_per_adu=GAIN)
            good = measured.stars.flags == 0
            frames.append(measured.radius.radius_px / truth - 1)
            pulls.append((measured.stars.radius - truth)[good] / measured.stars.radius_sigma[good])
        bias, pull = 100 * np.mean(frames), np.concatenate(pulls)
        cells.append(f"{bias:+.2f} | {1.4826 * np.median(np.abs(pull)):.2f}")
    return f"| {name} | {truth:.2f} | " + " | ".join(cells) + " |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--images", type=int, default=3)
    parser.add_argument("--half", type=float, nargs="*", default=[0.7, 1.0, 1.5, 2.5, 5.0, 12.0])
    asked = parser.parse_args()
    lines = [
        f"{SIDE**2} stars an image, {asked.images} images a row. Bias: the image's radius, per",
        "cent. Error/sigma: of single stars, against truth, robust.",
        "",
        "| star | half-flux radius | bias, S/N 30 | error/sigma | bias, S/N 300 | error/sigma |",
        "|---|---|---|---|---|---|",
    ]
    for name in PROFILES:
        for half in asked.half:
            lines.append(row(name, half, asked.images))
            print(lines[-1], flush=True)
    RESULTS.parent.mkdir(exist_ok=True)
    RESULTS.write_text("\n".join(["# Radii of single images", "", *lines]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
