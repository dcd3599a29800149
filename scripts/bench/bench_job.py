"""Cost of the whole job: share of each layer, growth, ratios to plain chains in the same run.

    python scripts/bench/bench_job.py                                growth with all three
    python scripts/bench/bench_job.py --frames 100 300 1000          with the number of frames
    python scripts/bench/bench_job.py --megapixels 1 4 16 --frames 22
    python scripts/bench/bench_job.py --stars 30 300 3000 --frames 22 --keep "More stars"

The frames are invented: sweeps of 11 positions, the filters in turn. Each line is a process of its
own: CPU seconds a frame of each layer in one thread, peak memory above the imports, and what a
second run costs that finds everything in its cache. The yardsticks, on the same frames: sep's
background, extraction and flux radius of the 300 brightest; photutils' background, segmentation
and the same radius. With ``--keep`` the table becomes a section of ``scripts/results/bench.md``.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from subprocess import PIPE
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import sep
from astropy.io import fits
from starfields_stars import NOISE_ADU, star_field

from starsize import Cache, find_sweeps, list_frames, measure_offsets, measure_sweeps, write_results
from starsize.photometry.law import growth_bank
from starsize.pipeline import compare_measured
from starsize.setup import Setup
from starsize.simulate import write_frame
from starsize.tracking import filmstrips

sys.path.insert(0, str(Path(__file__).parents[1]))
from _results import RESULTS, write_section

FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
POSITIONS = 11
#: The layers of longer nights are not measured apart.
_MOST = 100
#: Compiled modules and templates are kept, as on a person's machine.
_KEEPING = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
#: Frames that time the chains, each time: before and after the layers.
_ENOUGH = 11
UNITS = "CPU ms a frame; ratios of 'whole' to the chains of sep and photutils; MB above imports"
COLUMNS = ("list", "measure", "pictures", "compare", "write", "whole", "again")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, nargs="+", default=[22, 44, 88])
    parser.add_argument("--megapixels", type=float, nargs="+", default=[1.0])
    parser.add_argument("--stars", type=int, nargs="+", default=[300])
    parser.add_argument("--keep", metavar="TITLE", help="of the section to write")
    parser.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(asked.frames[0], asked.megapixels[0], asked.stars[0])
        return
    head = "".join(f"{name:>9s}" for name in (*COLUMNS, "x sep", "x phot", "MB"))
    lines = [f"{'frames':>7s}{'Mpx':>6s}{'stars':>6s}{head}"]
    print(f"{UNITS}\n{lines[0]}", flush=True)
    for frames in asked.frames:
        for size in asked.megapixels:
            for stars in asked.stars:
                call = [sys.executable, __file__, "--one", "--frames", str(frames)]
                call += ["--megapixels", str(size), "--stars", str(stars)]
                ran = subprocess.run(call, env=_KEEPING, check=True, stdout=PIPE, text=True)
                lines.append(ran.stdout.rstrip())
                print(lines[-1], flush=True)
    if asked.keep:
        table = "\n".join(f"    {line}" for line in lines)
        body = f"{UNITS}.\n\n{table}"
        write_section(asked.keep, body, script="bench/bench_job.py", file=RESULTS / "bench.md")


def one(frames: int, megapixels: float, stars: int) -> None:
    """One line of the table."""
    with tempfile.TemporaryDirectory() as name:
        night, out = Path(name) / "night", Path(name) / "out"
        # By a process of its own: this one is to be as fresh as a person's.
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as other:
            other.submit(draw, night, frames, megapixels, stars).result()
        paths = sorted(night.iterdir())
        growth_bank()
        cost: dict[str, float] = {}
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        with Cache(out / "measured.sqlite") as cache:
            whole = partial(measure_offsets, [night], cache=cache)
            cost["whole"], result = cpu(whole)
            cost["write"], _ = cpu(partial(write_results, result, out, cache=cache))
        cost["whole"] += cost["write"]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before
        del result
        chain_s = yardsticks(paths)
        with Cache(out / "measured.sqlite") as cache:
            cost["again"], result = cpu(partial(measure_offsets, [night], cache=cache))
            cost["again"] += cpu(partial(write_results, result, out, cache=cache))[0]
        cost |= layers(night) if frames <= _MOST else dict.fromkeys(COLUMNS[:4], float("nan"))
        chain_s = (chain_s + yardsticks(paths)) / 2
        each = {key: value / frames for key, value in cost.items()}
        cells = "".join(f"{1e3 * each[key]:9.1f}" for key in COLUMNS)
        cells += "".join(f"{each['whole'] / chain:9.2f}" for chain in chain_s)
        print(f"{frames:7d}{megapixels:6.1f}{stars:6d}{cells}{peak:9.0f}", flush=True)


def yardsticks(paths: list[Path]) -> np.ndarray:
    """CPU seconds a frame of each plain chain, over a sweep."""
    few = paths[:_ENOUGH]
    spent = [sum(cpu(partial(chain, path))[0] for path in few) for chain in CHAINS]
    return np.array(spent) / len(few)


def draw(folder: Path, frames: int, megapixels: float, stars: int) -> None:
    """Write the frames: one field a position, with the headers of many sweeps."""
    folder.mkdir()
    side = round((megapixels * 1e6) ** 0.5)
    discs = 1.2 * np.abs(np.arange(POSITIONS) - POSITIONS // 2)
    fields = [
        star_field(7, n_stars=stars, disc_px=disc, shape=(side, side)).image for disc in discs
    ]
    rng = np.random.default_rng(3)
    for k in range(frames):
        sweep, position = divmod(k, POSITIONS)
        cards: dict[str, Any] = {
            "FILTER": FILTERS[sweep % len(FILTERS)], "FOCUSPOS": 5000 + 40 * position,
            "EXPTIME": 2.0, "MJD-OBS": 61000 + (k + 5 * sweep) / 8640, "FOCTEMP": 4.5,
        }  # fmt: skip
        # Noise of its own: frames alike to the last bit would err alike, which looks like play.
        noise = rng.standard_normal((side, side), np.float32) * NOISE_ADU
        image = np.clip(fields[position] + noise, 0, 65535).astype(np.uint16)
        write_frame(folder / f"f{k:05d}.fits", image, cards=cards)


def layers(night: Path) -> dict[str, float]:
    """CPU seconds of each layer on its own, without a cache."""
    cost = {}
    cost["list"], files = cpu(partial(list_frames, [night]))
    sweeps, _ = find_sweeps(files)
    cost["measure"], measured = cpu(partial(measure_sweeps, sweeps))
    cost["pictures"], _ = cpu(partial(filmstrips, measured))
    cost["compare"], _ = cpu(partial(compare_measured, measured, setup=Setup()))
    return cost


def cpu(work: Callable[[], Any]) -> tuple[float, Any]:
    """CPU seconds of one call, and its result."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def chain_of_sep(path: Path) -> np.ndarray:
    image = fits.getdata(path).astype(np.float32)
    background = sep.Background(image, bw=64, bh=64)
    image = image - background.back()
    objects = sep.extract(image, 3.0, err=background.globalrms, minarea=9)
    best = np.argsort(objects["flux"])[::-1][:300]
    x, y = objects["x"][best], objects["y"][best]
    return np.asarray(sep.flux_radius(image, x, y, np.full(len(best), 30.0), 0.5, subpix=5)[0])


def chain_of_photutils(path: Path) -> np.ndarray:
    from photutils.background import Background2D
    from photutils.segmentation import SourceCatalog, detect_sources

    image = fits.getdata(path).astype(float)
    background = Background2D(image, 64)
    image -= background.background
    found = detect_sources(image, 3 * background.background_rms_median, 9)
    catalogue = SourceCatalog(image, found)
    best = np.argsort(catalogue.segment_flux)[::-1][:300]
    brightest = catalogue[best]
    # Named anew in photutils 3.
    radius = getattr(brightest, "flux_radius", None) or brightest.fluxfrac_radius
    return np.asarray(radius(0.5))


CHAINS = (chain_of_sep, chain_of_photutils)

if __name__ == "__main__":
    main()
