"""Cost of reading frames, as a ratio to astropy's fits.getdata in the same run.

Run: python scripts/bench/bench_frames.py
CPU seconds of one process, least of several tries; peak memory as traced by Python, above what was
there before.
"""

import argparse
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits

from starsize.frames import (
    find_sweeps,
    list_frames,
    read_facts,
    read_frame,
    read_pixels,
    write_frame,
)

SHAPE = (4176, 6248)
TRIES = 5


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


def bench_pixels(folder: Path) -> None:
    rng = np.random.default_rng(1)
    image = rng.normal(1000, 30, SHAPE).astype(np.uint16)
    print(f"{SHAPE[1]} x {SHAPE[0]} pixels, 16 bit; CPU seconds, peak MB")
    print(f"{'file':10s} {'getdata to float32':>20s} {'read_frame':>18s} {'native':>18s}")
    for ending in (".fits", ".fits.fz", ".fits.gz"):
        path = write_frame(folder / f"a{ending}", image, cards={"FOCUSPOS": 1})
        facts = read_facts(path)

        def reference(path: Path = path, hdu: int = facts.hdu) -> np.ndarray:
            return fits.getdata(path, hdu).astype(np.float32)

        jobs = (
            reference,
            lambda f=facts: read_frame(f),
            lambda f=facts: read_pixels(f, dtype=None),
        )
        seconds = [cpu_seconds(job) for job in jobs]
        peaks = [peak_megabytes(job) for job in jobs]
        cells = [f"{seconds[0]:9.3f} s {peaks[0]:5.0f} MB"]
        cells += [
            f"x{s / seconds[0]:5.2f} {p:6.0f} MB"
            for s, p in zip(seconds[1:], peaks[1:], strict=True)
        ]
        print(f"{ending:10s} {cells[0]:>20s} {cells[1]:>18s} {cells[2]:>18s}")


def bench_listing(folder: Path) -> None:
    rng = np.random.default_rng(2)
    print("\n200 frames with 64 header entries, listed: CPU milliseconds a file")
    for ending in (".fits", ".fits.fz", ".fits.gz"):
        night = folder / ending.strip(".")
        night.mkdir()
        for i in range(200):
            cards: dict[str, str | float] = {f"KEY{j}": j for j in range(60)}
            cards |= {"FILTER": "L", "FOCUSPOS": i, "EXPTIME": 2.0, "MJD-OBS": 61000 + i / 1e4}
            write_frame(
                night / f"f{i}{ending}", rng.integers(0, 999, (40, 50), np.uint16), cards=cards
            )
        listed = cpu_seconds(partial(list_frames, [night]))
        files = list_frames([night])
        swept = cpu_seconds(partial(find_sweeps, files))
        print(f"{ending:10s} {1e3 * listed / 200:6.2f}   find_sweeps {1e3 * swept / 200:6.2f}")


if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    with tempfile.TemporaryDirectory() as name:
        bench_pixels(Path(name))
        bench_listing(Path(name))
