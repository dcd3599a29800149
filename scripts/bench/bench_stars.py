"""Cost of measuring frames, as a ratio to a well-known chain of steps in the same run.

    python scripts/bench/bench_stars.py             speed and memory on one core
    python scripts/bench/bench_stars.py --folder 77  also a folder of frames, one process and two

The frames are of 16 bits, 6248 x 4176 pixels with 3,000 invented stars and 1536 x 1024 with 300;
their speed becomes a section of ``scripts/results/bench.md``. The yardstick is what many
do by hand: read to float32, background with a 64-pixel mesh, subtract, extract at 3 sigma with at
least 9 pixels, flux radius of the 300 brightest. Times are CPU times of one thread.
"""

import argparse
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import sep
from astropy.io import fits
from starfields_stars import SHAPE, star_field, write_field

from starsize.frames import read_facts
from starsize.photometry.law import growth_bank
from starsize.tracking import measure_files

sys.path.insert(0, str(Path(__file__).parents[1]))
from _results import RESULTS, write_section

SMALL, ROUNDS = (1024, 1536), 3
#: Of the defocused pupil, pixels.
DISCS = (0.0, 5.0, 11.9)
HEAD = "| frame | true HFR | measured | stars | CPU s | of the chain | ratio |"


def yardstick(path):
    """Run the well-known chain; return the radii of the 300 brightest."""
    image = fits.getdata(path).astype(np.float32)
    background = sep.Background(image, bw=64, bh=64)
    image = image - background.back()
    sep.set_extract_pixstack(3_000_000)
    objects = sep.extract(image, 3.0, err=background.globalrms, minarea=9)
    best = np.argsort(objects["flux"])[::-1][:300]
    x, y = objects["x"][best], objects["y"][best]
    return sep.flux_radius(image, x, y, np.full(len(best), 30.0), 0.5, subpix=5)[0]


def ours(path):
    """Path to measured frame."""
    return measure_files([read_facts(path)])[0]


def cpu(work, *args):
    """CPU seconds of one call, and its result."""
    start = time.process_time()
    result = work(*args)
    return time.process_time() - start, result


def speed(folder):
    """Ratio of CPU times in focus and out of it, interleaved so that both see the same machine."""
    growth_bank()
    lines = []
    for shape, n_stars, rounds in ((SHAPE, 3000, ROUNDS), (SMALL, 300, 4 * ROUNDS)):
        for disc in DISCS:
            path = folder / f"field_{shape[0]}_{disc:g}.fits"
            field = star_field(11, n_stars=n_stars, disc_px=disc, shape=shape)
            write_field(path, field)
            pairs = [(cpu(yardstick, path)[0], cpu(ours, path)) for _ in range(rounds)]
            theirs = min(t for t, _ in pairs)
            mine = min(t for _, (t, _) in pairs)
            frame = pairs[0][1][1]
            lines.append(
                f"| {shape[1]} x {shape[0]} | {field.radius_px:.2f} | {frame.radius_px:.3f} "
                f"+- {frame.radius_sigma_px:.3f} | {frame.n_stars} of {frame.n_found} "
                f"| {mine:.3f} | {theirs:.3f} | {mine / theirs:.2f} |"
            )
            print(lines[-1], flush=True)
    body = "\n".join([HEAD, "|---|---|---|---|---|---|---|", *lines])
    write_section("One frame", body, script="bench/bench_stars.py", file=RESULTS / "bench.md")


def peak_memory(path):
    """Peak of a fresh process above what its imports take, in MB (Linux)."""
    code = (
        "import sys; from starsize.frames import read_facts; "
        "from starsize.tracking import measure_files; "
        "from starsize.photometry.law import growth_bank; "
        "import astropy.io.fits, scipy.spatial; growth_bank(); "
        "peak = lambda: int(open('/proc/self/status').read().split('VmHWM:')[1].split()[0]); "
        "before = peak(); "
        "[measure_files([read_facts(sys.argv[1])]) for _ in range(3)]; "
        "print((peak() - before) / 1024)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    return float(done.stdout)


def folder_run(folder, count):
    """Wall time of a folder of frames with one worker and with two, and this process's peak."""
    paths = sorted(folder.glob(f"field_{SHAPE[0]}_*.fits"))
    facts = [read_facts(paths[i % len(paths)]) for i in range(count)]
    spent, cpu_spent = {}, {}
    for workers in (1, 2):
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            list(pool.map(abs, range(workers)))  # the workers are up before the clock starts
            measure_files(facts[:workers], executor=pool)
            start = time.perf_counter()
            own = time.process_time()
            measure_files(facts, executor=pool)
            spent[workers] = time.perf_counter() - start
            cpu_spent[workers] = time.process_time() - own
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{count} frames: {spent[1]:.1f} s with one worker, {spent[2]:.1f} s with two, "
        f"ratio {spent[2] / spent[1]:.2f}; "
        f"this process itself: {cpu_spent[2]:.2f} s of CPU, peak {own:.0f} MB"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=int, metavar="N", help="also time a folder of N frames")
    count = parser.parse_args().folder
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        speed(folder)
        for path in sorted(folder.glob(f"field_{SHAPE[0]}_*.fits")):
            print(f"{path.name}: peak memory above the imports {peak_memory(path):.0f} MB")
        if count:
            folder_run(folder, count)


if __name__ == "__main__":
    main()
