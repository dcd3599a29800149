"""Cost of reading frames, as a ratio to astropy's fits.getdata in the same run.

Run: python scripts/bench/bench_frames.py [--keep]
CPU seconds of one process, least of several tries; peak memory as traced by Python, above what was
there before.
"""

import argparse
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits

from starsize.frames import find_sweeps, list_frames, read_facts, read_pixels
from starsize.frames.header import read_image_header
from starsize.simulate import write_frame

sys.path.insert(0, str(Path(__file__).parents[1]))
from _results import RESULTS, write_section

SHAPES = ((400, 500), (1100, 1400), (4176, 6248))
FILES = 1000
TRIES = 3
NEWLINE, INDENTED = "\n", "\n    "


def cpu_seconds(job: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(TRIES):
        start = time.process_time()
        job()
        best = min(best, time.process_time() - start)
    return best


def peak_megabytes(job: Callable[[], object]) -> float:
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def bench_pixels(folder: Path) -> str:
    rows = ["     pixels file     getdata ms   MB   read   MB  native"]
    for shape in SHAPES:
        image = np.random.default_rng(1).normal(1000, 30, shape).astype(np.uint16)
        for ending in (".fits", ".fits.fz", ".fits.gz"):
            path = write_frame(folder / f"{shape[0]}{ending}", image, cards={"FOCUSPOS": 1})
            facts = read_facts(path)

            def reference(path: Path = path, hdu: int = facts.hdu) -> np.ndarray:
                return fits.getdata(path, hdu).astype(np.float32)

            whole, native = (partial(read_pixels, facts, dtype=d) for d in (np.float32, None))
            theirs = cpu_seconds(reference)
            rows.append(
                f"{shape[1]:4d} x {shape[0]:4d} {ending:8s} {1e3 * theirs:10.1f} "
                f"{peak_megabytes(reference):4.0f} x{cpu_seconds(whole) / theirs:5.2f} "
                f"{peak_megabytes(whole):4.0f} x{cpu_seconds(native) / theirs:5.2f}"
            )
    return "\n".join(rows)


def bench_listing(folder: Path) -> str:
    image = np.random.default_rng(2).integers(0, 999, (40, 50), np.uint16)
    rows = [f"{'file':8s} {'getheader':>9s} {'ours':>6s} {'list':>6s} {'find_sweeps':>11s}"]
    for ending in (".fits", ".fits.fz", ".fits.gz"):
        night = folder / ending.strip(".")
        night.mkdir()
        for i in range(FILES):
            cards: dict[str, str | float] = {f"KEY{j}": j for j in range(60)}
            cards |= {"FILTER": "L", "FOCUSPOS": i, "EXPTIME": 2.0, "MJD-OBS": 61000 + i / 1e4}
            write_frame(night / f"f{i}{ending}", image, cards=cards)
        paths, files = sorted(night.iterdir()), list_frames([night])
        hdu = int(ending == ".fits.fz")
        jobs = (
            lambda paths=paths, hdu=hdu: [fits.getheader(path, hdu) for path in paths],
            lambda paths=paths: [read_image_header(path) for path in paths],
            partial(list_frames, [night]),
            partial(find_sweeps, files),
        )
        cells = [f"{1e3 * cpu_seconds(job) / FILES:6.2f}" for job in jobs]
        rows.append(f"{ending:8s} {cells[0]:>9s} {cells[1]} {cells[2]} {cells[3]:>11s}")
    return "\n".join(rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--keep", action="store_true", help="renew scripts/results/bench.md")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        body = (
            f"CPU ms, least of {TRIES}; ratios to astropy's getdata to float32; MB at the peak; 16 "
            f"bit.\n\n    {bench_pixels(Path(name)).replace(NEWLINE, INDENTED)}\n\n{FILES} files "
            "with 64 header entries: CPU ms a file.\n\n"
            f"    {bench_listing(Path(name)).replace(NEWLINE, INDENTED)}"
        )
    print(body)
    if asked.keep:
        script = "bench/bench_frames.py"
        write_section("Reading alone", body, script=script, file=RESULTS / "bench.md")
