"""How right the star layer is, by seeded Monte Carlo; prints tables.

    python scripts/star_accuracy.py            everything (ten minutes)
    python scripts/star_accuracy.py radius     bias, scatter and stated uncertainty of single radii
    python scripts/star_accuracy.py find       completeness and purity of detection
    python scripts/star_accuracy.py sweep      best focus when half of the stars sink in the noise
    python scripts/star_accuracy.py halo       radii in drawn frames of lenses, coloured and not

Stars are drawn by GalSim: Moffat seeing smeared over a disc or annulus, or waves at a defocused
pupil. Truth is the same definition on the noiseless pixels with the true centre and all the light,
wings included. Signal-to-noise ratio is that of the light inside 1.4 half-flux radii.
"""

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import galsim
import numpy as np
import sep
from astropy.io import fits
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parent / "bench"))
from starfields_stars import NOISE_ADU, place_stars, star_field, star_stamps

from starsize.curves import fit_curve, focus_curve
from starsize.frames import Sweep, read_facts
from starsize.simulate import true_best_focus, true_curve
from starsize.simulate.exposure import Shot, draw_exposure
from starsize.simulate.scenarios import SCENARIOS
from starsize.stars import find_stars, half_flux_radius, measure_sweeps
from starsize.stars.defects import mend
from starsize.stars.frame_radius import own_noise
from starsize.stars.measure import measure_places
from starsize.stars.rings import aperture_sums
from starsize.stars.survey import survey

NOISE, GAIN, SKY = 10.0, 1.0, 500.0
PLACES, FIELDS = 16, 16
#: disc radius (px), obstruction, seeing FWHM (px), Moffat beta; waves: W020, pixels per lambda N.
SCENES = {
    "focus, HFR 0.8": (0, 0, 0.95, 3.5),
    "focus, HFR 1.0": (0, 0, 1.4, 3.5),
    "focus, HFR 1.3": (0, 0, 2.0, 3.5),
    "focus, wide wings": (0, 0, 3.0, 2.5),
    "focus, HFR 2.5": (0, 0, 4.0, 3.5),
    "disc 4": (4, 0.0, 3.0, 3.5),
    "annulus 5": (5, 0.2, 3.0, 3.0),
    "annulus 9": (9, 0.35, 3.0, 3.0),
    "disc 14": (14, 0.0, 3.0, 3.5),
    "annulus 19": (19, 0.2, 4.0, 3.5),
    "annulus 26": (26, 0.35, 4.0, 3.0),
}
WAVES = {"waves 1": (1.0, 0.35, 1.5), "waves 2": (2.0, 0.35, 2.0)}


def star_of(name):
    if name in WAVES:
        w020, hole, pixels = WAVES[name]
        # GalSim's defocus is the Zernike coefficient in waves: W020 / (2 sqrt 3).
        light = galsim.OpticalPSF(lam_over_diam=pixels, defocus=w020 / 12**0.5, obscuration=hole)
        return galsim.Convolve(light, galsim.Moffat(beta=3.5, fwhm=2.5))
    disc, hole, fwhm, beta = SCENES[name]
    seeing = galsim.Moffat(beta=beta, fwhm=fwhm)
    if not disc:
        return seeing
    rim = galsim.TopHat(disc, flux=1 / (1 - hole**2))
    if hole:
        rim -= galsim.TopHat(disc * hole, flux=hole**2 / (1 - hole**2))
    return galsim.Convolve(seeing, rim)


def stamps_of(star, rng):
    """Noiseless pixels at several places within the pixel, their places and true radii."""
    about = star.calculateHLR() if isinstance(star, galsim.Moffat) else _rough_radius(star)
    half = int(max(10 * about, 30) if about < 6 else 6 * about)
    at = rng.uniform(-0.5, 0.5, (PLACES, 2))
    stamps = np.array(
        [
            star.drawImage(
                galsim.ImageD(2 * half + 1, 2 * half + 1), scale=1.0, offset=tuple(o)
            ).array
            for o in at
        ]
    )
    return stamps, at, _radii(stamps, at, about), about


def _rough_radius(star):
    image = star.drawImage(galsim.ImageD(301, 301), scale=1.0).array
    return float(_radii(image[None], np.zeros((1, 2)), 10.0)[0])


def _radii(stamps, at, about):
    half = stamps.shape[1] // 2
    radii = np.linspace(0.1, min(half - 2, 4 * about + 4), 400)
    near = np.array([np.interp(0.5, s, radii) for s in aperture_sums(stamps, *at.T, radii)])
    close = np.linspace(0.97 * near.min(), 1.03 * near.max(), 161)
    return np.array([np.interp(0.5, s, close) for s in aperture_sums(stamps, *at.T, close)])


def scene(stamps, at, truth, snr, rng, count):
    """A frame of stars of one brightness, each on a square of its own."""
    size = stamps.shape[1]
    side = int(np.ceil(np.sqrt(count)))
    radius = float(np.median(truth))
    area = np.pi * (1.4 * radius) ** 2
    share = float(np.median(aperture_sums(stamps, *at.T, np.array([1.4 * radius]))))
    flux = (
        (snr**2 / GAIN + np.sqrt((snr**2 / GAIN) ** 2 + 4 * (snr * NOISE) ** 2 * area)) / 2 / share
    )
    which = rng.integers(0, len(stamps), side * side)
    light = (
        np.block([[stamps[which[j * side + i]] for i in range(side)] for j in range(side)]) * flux
    )
    y, x = np.mgrid[:side, :side].reshape(2, -1) * size + size // 2
    noise = rng.standard_normal(light.shape) * np.sqrt(NOISE**2 + light / GAIN)
    return light + noise + SKY, np.stack([x, y], 1) + at[which], truth[which], flux


def best_of_sep(image, places, truth):
    """Smallest error of sep.flux_radius over the apertures for the total flux; true sky taken."""
    flat, (x, y), size = image - SKY, places.T, float(np.median(truth))
    best = np.inf
    for aperture in (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0):
        total, _, _ = sep.sum_circle(flat, x, y, aperture * size, subpix=0)
        found, _ = sep.flux_radius(
            flat, x, y, np.full(len(x), 6 * size), 0.5, normflux=total, subpix=5
        )
        best = min(best, float(np.sqrt(np.mean((found / truth - 1) ** 2))))
    return best


def radius_table():
    print("single radii: each row a scene, 16 fields of 100 stars at each signal-to-noise ratio")
    print("bias %: median error; error %: rms, ours against sep's at its best aperture;")
    print("stated/true: of the star's own radius; optics %: what pixels add to the optical profile")
    print(
        f"{'scene':18s} {'HFR':>6s} {'optics':>6s}",
        *(f"| snr {s:4d} bias error  sep  st/true" for s in (10, 30, 100)),
    )
    for name in (*SCENES, *WAVES):
        rng = np.random.default_rng(sum(name.encode()))
        star = star_of(name)
        stamps, at, truth, _ = stamps_of(star, rng)
        cells = []
        for snr in (10, 30, 100):
            errors, pulls, rivals = [], [], []
            for _ in range(FIELDS):
                image, places, true, _ = scene(stamps, at, truth, snr, rng, 100)
                start = places + rng.normal(0, 0.2, places.shape)
                found = half_flux_radius(image, start, noise_adu=NOISE, gain_e_per_adu=GAIN)
                errors.append(found.radius / true - 1)
                own = found.own_radius - true
                # What all stars of a frame share is no scatter: it shows in the bias.
                pulls.append((own - np.nanmedian(own)) / own_noise(found))
                rivals.append(best_of_sep(image, places, true) ** 2)
            errors, pulls = np.concatenate(errors), np.concatenate(pulls)
            true_over_stated = 1.4826 * np.nanmedian(np.abs(pulls))
            rms = np.sqrt(np.nanmean(errors**2))
            cells.append(
                f"| {100 * np.nanmedian(errors):+14.2f} {100 * rms:5.2f} "
                f"{100 * np.sqrt(np.mean(rivals)):5.2f} {1 / true_over_stated:5.2f}  "
            )
        optical = star.calculateHLR() if isinstance(star, galsim.Moffat) else np.nan
        print(
            f"{name:18s} {np.median(truth):6.2f} {100 * (np.median(truth) / optical - 1):+6.1f}",
            *cells,
        )


def find_table():
    print("detection in 6248 x 4176 pixels, 2,000 stars, 500 hot pixels, 50 cosmic rays")
    for disc in (0.0, 3.0, 13.3):
        field = star_field(5, n_stars=2000, disc_px=disc, hot=500, cosmic=50)
        found = find_stars(field.image)
        size = field.radius_px
        area = np.pi * (1.4 * size) ** 2
        light = 0.72 * field.fluxes
        snr = light / np.sqrt(NOISE_ADU**2 * area + light)
        alone = cKDTree(field.places).query(field.places, 2)[0][:, 1] > 5 * size + 4
        inside = (
            (field.places > 2 * size) & (field.places < np.array([6247, 4175]) - 2 * size)
        ).all(1)
        wanted = field.places[alone & inside & (snr > 20)]
        places = np.stack([found["x"].value, found["y"].value], 1)
        crowd = np.array([len(q) for q in cKDTree(places).query_ball_point(wanted, 2 * size + 2)])
        strangers = (cKDTree(field.places).query(places)[0] > max(3.0, 1.5 * size)).sum()
        print(
            f"HFR {size:5.2f}: {len(found)} found; of {len(wanted)} isolated above 20: "
            f"{100 * np.mean(crowd == 1):.2f} % once, "
            f"{100 * np.mean(crowd > 1):.2f} % more than once; "
            f"{strangers} strangers ({100 * strangers / len(found):.2f} %)"
        )


def sweep_table():
    """Best focus from measured radii against that from the true radii of the same frames."""
    print(
        "sweeps of 11 frames, f/5.5, 3.76 um pixels, 4 um steps; drift 40 px, seeing jitter 10 %,"
    )
    print(
        "fluxes of a narrowband filter; the sweep begins 60 steps nearer to focus than it ends, so"
    )
    print("that the faint stars sink at one end only. A tenth of the zone at 500 nm is 0.76 steps.")
    shape, offsets, n = (1400, 1800), np.arange(-120.0, 181.0, 30.0), 240
    shifts = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        places = rng.uniform((-40, -40), (shape[1] + 40, shape[0] + 40), (n, 2))
        fluxes = 400.0 * rng.uniform(size=n) ** -1.1
        radii, sunk = [], []
        with tempfile.TemporaryDirectory() as name:
            facts = []
            for k, offset in enumerate(offsets):
                disc = abs(offset) * 4 / (2 * 5.5 * 3.76)
                seeing = 3.0 * np.exp(rng.normal(0, 0.1))
                stamps, half, radius = star_stamps(disc, fwhm_px=seeing)
                light = np.zeros(shape)
                place_stars(light, stamps, half, places + np.array([4, -2.5]) * k, fluxes)
                image = light + rng.standard_normal(shape) * np.sqrt(NOISE**2 + light) + SKY
                path = Path(name) / f"{k:02d}.fits"
                fits.writeto(path, np.clip(np.rint(image), 0, 65535).astype(np.uint16))
                facts.append(replace(read_facts(path), position_steps=1000 + offset))
                radii.append(radius)
                sunk.append(np.mean(0.72 * fluxes < 5 * NOISE * np.sqrt(np.pi) * 1.4 * radius))
            (swept,) = measure_sweeps([Sweep("Ha-1", "Ha", tuple(facts))])
        found = np.array([f.radius_px for f in swept.frames])
        sigma = np.array([f.radius_sigma_px for f in swept.frames])
        best = [
            fit_curve(focus_curve(1000 + offsets, r, sigma), obstruction=0.35).best_steps
            for r in (found, np.array(radii))
        ]
        shifts.append(best[0] - best[1])
        off = found / radii - 1
        used = (swept.tracks.flags == 0).sum(axis=0)
        print(
            f"seed {seed}: best focus moved by {shifts[-1]:+.2f} steps; radii off by "
            f"{100 * np.median(off):+.2f} % (worst {100 * np.max(np.abs(off)):.2f} %); "
            f"too faint to see {100 * min(sunk):.0f} to {100 * max(sunk):.0f} %; "
            f"stars used {used.min()} to {used.max()}"
        )
    print(f"mean {np.mean(shifts):+.2f} steps, rms {np.sqrt(np.mean(np.square(shifts))):.2f}")


def halo_table():
    """Radii in simulated frames against the noiseless star of the same telescope."""
    print("frames of the simulator, seeing steady: measured over true radius, in per cent (stated)")
    steps = (-100, -75, -50, -25, 0, 25, 50, 75, 100)
    for name, filters in (("achromat", "BLRG"), ("parfocal_refractor", "L"), ("reflector", "L")):
        scene = SCENARIOS[name].scene
        degC, gain = scene.focuser.home_degC, scene.sensor.gain_e_per_adu
        for band in filters:
            best, said = true_best_focus(scene, band), []
            for step in steps:
                shot = Shot(
                    filter=band, camera_steps=best + step, temperature_degC=degC, exposure_s=3.0
                )
                image = draw_exposure(scene, shot, rng=np.random.default_rng(step + 1000))
                sky, found, hot = survey(image)
                image = image.astype(np.float32)
                mend(image, hot)
                stars = measure_places(image, found, sky, gain=gain, ceiling=None, max_stars=320)
                good = stars.flags == 0
                good &= stars.flux >= np.median(stars.flux[good])
                truth = true_curve(scene, band, [best + step])[0]
                radius = np.average(stars.own_radius[good], weights=stars.own_sigma[good] ** -2)
                common = np.median(stars.common_sigma[good])
                said.append(
                    f"{step:+d}: {100 * (radius / truth - 1):+.1f} ({100 * common / truth:.1f})"
                )
            print(f"{name} {band}  " + "  ".join(said))


PARTS = {"radius": radius_table, "find": find_table, "sweep": sweep_table, "halo": halo_table}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("part", nargs="?", choices=PARTS, help="only this table")
    wanted = parser.parse_args().part
    for name, table in PARTS.items():
        if wanted in (None, name):
            table()


if __name__ == "__main__":
    main()
