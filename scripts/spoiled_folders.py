"""Spoiled files among good frames: the good ones must give what they give without them.

A seeded mutator puts spoiled frames, foreign files, links, pipes and copies beside two good sweeps.
Where all of them are refused, everything that is measured must be the same to the last bit. Where
one is still a frame (its filter changed, say), no good frame may be refused, leave its sweep or
change its radius, and what headers say of the equipment must hold.

Run: ``python scripts/spoiled_folders.py [--folders 300] [--seed 1] [--keep]``; exit status 1 on a
failure. With ``--keep`` the section in ``scripts/results/spoiled.md`` is renewed.
"""

import argparse
import gzip
import os
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from pathlib import Path

import numpy as np
from _results import RESULTS, write_section
from mutate import spoiled_frame

from starsize.cache import Cache
from starsize.frames import (
    complete_setup,
    find_sweeps,
    list_frames,
    set_aside_single,
)
from starsize.plain import digest
from starsize.setup import Setup
from starsize.simulate import write_frame
from starsize.tracking import measure_sweeps

ENDINGS = (".fits", ".fits.fz", ".fits.gz")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folders", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", action="store_true")
    asked = parser.parse_args()
    failures: Counter[str] = Counter()
    refused = 0
    with tempfile.TemporaryDirectory() as name, Cache(Path(name) / "kept" / "c") as cache:
        night = Path(name) / "night"
        sound = good_night(night, Path(name))
        alone = measured(night, cache)
        good = sorted(night.iterdir())
        for number in range(asked.folders):
            rng = np.random.default_rng((asked.seed, number))
            added = [add(night, sound, rng, k) for k in range(rng.integers(1, 4))]
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                try:
                    wrong, all_refused = compared(alone, measured(night, cache), good)
                except Exception as error:
                    last = traceback.extract_tb(error.__traceback__)[-1]
                    place = f"{Path(last.filename).name} {last.name}"
                    wrong, all_refused = [f"{type(error).__name__} in {place}: {error}"], False
            refused += all_refused
            for what in wrong:
                failures[what] += 1
                if failures[what] == 1:
                    print(f"{number}: {what} ({', '.join(p.name for p in added)!r})")
            for path in added:
                remove(path)
    said = (
        f"{asked.folders} folders (seed {asked.seed}), in {refused} of them all spoiled files "
        f"refused: {failures.total()} failures of {len(failures)} kinds"
    )
    print(said)
    if asked.keep:
        title, result = "Spoiled files among good ones", RESULTS / "spoiled.md"
        write_section(title, said + ".", script="spoiled_folders.py", file=result)
    return 1 if failures else 0


def good_night(folder: Path, elsewhere: Path) -> list[dict[str, bytes]]:
    """Draw two sweeps of Gaussian stars; hand back one frame of each in all its storages."""
    folder.mkdir()
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:128, :160]
    places = [(a, b) for a in range(20, 150, 40) for b in range(20, 120, 40)]
    sound = []
    for band, best in (("L", 1000), ("R", 1010)):
        for k, position in enumerate(range(900, 1101, 25)):
            sigma = np.hypot(1.3, 0.022 * (position - best))
            light = sum(np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * sigma**2)) for a, b in places)
            image = rng.poisson(500 + 3e4 / (2 * np.pi * sigma**2) * light).astype(np.uint16)
            minute = k + (30 if band == "R" else 0)
            cards: dict[str, str | int | float | bool | None] = {
                "FILTER": band, "FOCUSPOS": position, "EXPTIME": 2.0, "EGAIN": 1.0,
                "XPIXSZ": 3.76, "FOCALLEN": 480, "FOCTEMP": 4.5, "INSTRUME": "camera",
                "DATE-OBS": f"2026-01-31T22:{minute:02d}:00",
            }  # fmt: skip
            path = write_frame(folder / f"{band}_{position}.fits", image, cards=cards)
            if position == 1000:
                packed = write_frame(elsewhere / f"{band}.fits.fz", image, cards=cards)
                plain = path.read_bytes()
                stored = (plain, packed.read_bytes(), gzip.compress(plain, 1))
                sound.append(dict(zip((f"a{e}" for e in ENDINGS), stored, strict=True)))
    return sound


def add(night: Path, sound: list[dict[str, bytes]], rng: np.random.Generator, k: int) -> Path:
    """Put something spoiled into the folder."""
    name = str(rng.choice(["0", "M", "z", "new\nline ", "é\udcff "])) + str(k)
    way = rng.choice(["frame"] * 8 + ["text", "empty", "link", "loop", "pipe", "folder", "copy"])
    one = sound[rng.integers(len(sound))]
    stored = str(rng.choice(list(one)))
    path = night / (name + stored[1:])
    if way == "frame":
        path.write_bytes(spoiled_frame(stored, one, rng))
    elif way == "text":
        path.write_text("clouds at ten")
    elif way == "empty":
        path.touch()
    elif way == "link":
        path.symlink_to("nowhere.fits")
    elif way == "loop":
        path = night / name
        path.symlink_to(night)
    elif way == "pipe":
        os.mkfifo(path)
    elif way == "folder":
        path.mkdir()
    else:
        path = night / f"zz{k}{stored[1:]}"  # of two copies the first by name is taken
        path.write_bytes(one[stored])
    return path


def remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        path.rmdir()
    else:
        path.unlink()


Measured = tuple[dict[Path, str | None], dict[Path, tuple[str, float, float]], Setup, str]


def measured(night: Path, cache: Cache) -> Measured:
    """Reason of each file, radius of each frame in a sweep, setup, digest of all measured."""
    files = list_frames([night])
    setup, _ = complete_setup(Setup(), files)
    files, sweeps = set_aside_single(files, find_sweeps(files)[0])
    found = measure_sweeps(sweeps, setup=setup, cache=cache)
    for file in files:
        assert file.reason is None or file.reason.isprintable(), file.reason
    radii = {
        f.facts.path: (sweep.filter, f.radius_px, f.radius_sigma_px)
        for sweep in found
        for f in sweep.frames
    }
    return {f.path: f.reason for f in files}, radii, setup, digest(found)


def compared(alone: Measured, now: Measured, good: list[Path]) -> tuple[list[str], bool]:
    """What went wrong, and whether all that was added was refused."""
    wrong = {f"a good frame: {now[0][p]}" for p in good if now[0][p] is not None}
    wrong |= {"a good frame is in no sweep" for p in good if p not in now[1]}
    wrong |= {"a good frame has another radius" for p in good if now[1].get(p) != alone[1][p]}
    if now[2] != alone[2]:
        wrong.add("the equipment is taken to be another")
    all_refused = all(reason for path, reason in now[0].items() if path not in alone[0])
    if all_refused and now[3] != alone[3]:
        wrong.add("refused files changed what is measured")
    return sorted(wrong), all_refused


if __name__ == "__main__":
    sys.exit(main())
