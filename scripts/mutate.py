"""Spoiled files, setups and facts tables: each must end in facts or in one clear line.

A seeded mutator takes sound FITS files (plain, gzip, tile-compressed), setup files and facts
tables, spoils them (bits flipped, cut, cards with hostile values, swapped blocks), and hands them
to the readers; the frames that can be read are measured too. A traceback, a warning on the screen,
a line break in a reason, more than five seconds or memory beyond the file's own size is a failure.

Run: ``python scripts/mutate.py [--files 1000] [--seed 1] [--keep]``; exit status 1 on a failure.
With ``--keep`` the table in ``scripts/results/spoiled.md`` is renewed.
"""

import argparse
import gzip
import io
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from _results import RESULTS, write_section
from astropy.io import fits

from starsize.errors import InputError
from starsize.frames import list_frames, load_setup, read_facts_csv
from starsize.tracking import measure_files

#: No file may take longer, nor more memory beyond its own size (unpacked: 1100 times it).
MOST_SECONDS = 5.0
#: What takes so much of the processor is broken off.
HANG_SECONDS = 60
MOST_BYTES = 1 << 28
CARDS = (
    "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "PCOUNT", "GCOUNT", "BSCALE", "BZERO", "BLANK",
    "FILTER", "FOCUSPOS", "FOCTEMP", "EXPTIME", "DATE-OBS", "MJD-OBS", "XPIXSZ", "XBINNING",
    "FOCALLEN", "BAYERPAT", "EGAIN", "SATURATE", "IMAGETYP", "INSTRUME", "ZNAXIS1", "ZTILE1",
)  # fmt: skip
VALUES = (
    "-1", "0", "1", "3", "99999", "1E300", "-1E-300", "1E999", "NaN", "'NaN'", "T", "F", "''",
    "9" * 60, "1000000000000", "'=1+1'", "'\x1b[2J\x07'", "'<script>'", "'0001-01-01T00:00:00'",
    "'9999-12-31T23:59:60-14:00'", "'2026-13-45T99:99:99'", "(1,2)", "garbage", "'unclosed",
    "'RGGB'", "'Dark'", "65", "-64", "'\xff\xfe'",
)  # fmt: skip
SETUP = """[telescope]
focal_length_mm = 480
aperture_mm = 87
[focuser]
um_per_step = 4.0
outward = "increasing"
[camera]
pixel_um = 3.76
[filters.Ha]
wavelength_nm = 656.3
aliases = ["H-alpha"]
[headers]
position = "FOCUSPOS"
"""
FACTS = (
    "file,filter,position_steps,temperature_degC,exposure_s,time\n"
    "a.fits,L,12000,4.5,2,2026-01-31T22:00:00\nb.fits,R,12100,4.4,2,2026-01-31T22:01:00\n"
)
WORDS = (
    "1e300", "-1", "nan", "inf", "9" * 5000, "[" * 1500, '"\\u001b[2J"', '"\\n"', "\x00", '"',
    "= ", "\n", "0x" + "f" * 5000, "true", "2026-01-31", ",,,,", "\xa0", "x" * 200_000,
)  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", action="store_true")
    asked = parser.parse_args()
    signal.signal(signal.SIGPROF, hang)
    failures: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    slowest = 0.0
    sound = sound_files()
    before = peak_bytes()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(asked.files):
            rng = np.random.default_rng((asked.seed, number))
            path, read = spoiled(Path(folder), sound, rng)
            seconds, end, wrong = tried(path, read)
            slowest = max(slowest, seconds)
            kinds[end] += 1
            for what in wrong:
                failures[what] += 1
                if failures[what] == 1:
                    print(f"{number}: {path.name}: {what}", flush=True)
            path.unlink()
    said = (
        f"{asked.files} spoiled files (seed {asked.seed}; {kinds['read']} read or measured, "
        f"{kinds['refused']} refused): {failures.total()} failures of {len(failures)} kinds, "
        f"slowest {slowest:.1f} s of CPU, "
        f"peak memory of all {(peak_bytes() - before) / 1e6:.0f} MB above the start"
    )
    print(said)
    if asked.keep:
        write_section("Single files", said + ".", script="mutate.py", file=RESULTS / "spoiled.md")
    return 1 if failures else 0


def hang(*_: object) -> None:
    msg = f"no end after {HANG_SECONDS} seconds of CPU"
    raise TimeoutError(msg)


def peak_bytes() -> int:
    """Most memory that this process has held so far."""
    return 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def sound_files() -> dict[str, bytes]:
    """One frame as it may be stored."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[:96, :128]
    image = rng.normal(500, 10, (96, 128))
    for at_x, at_y in rng.uniform(10, 86, (12, 2)):
        image += 3000 * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / 8)
    header = fits.Header()
    header["FILTER"], header["FOCUSPOS"], header["FOCTEMP"] = "L", 12000, 4.5
    header["EXPTIME"], header["DATE-OBS"] = 2.0, "2026-01-31T22:00:00"
    header["XPIXSZ"], header["FOCALLEN"], header["INSTRUME"] = 3.76, 480, "camera"
    plain, packed = io.BytesIO(), io.BytesIO()
    fits.PrimaryHDU(image.astype(np.uint16), header).writeto(plain)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(image.astype(np.uint16), header)]).writeto(
        packed
    )
    return {
        "a.fits": plain.getvalue(),
        "a.fits.fz": packed.getvalue(),
        "a.fits.gz": gzip.compress(plain.getvalue(), 1),
    }


def spoiled(
    folder: Path, sound: dict[str, bytes], rng: np.random.Generator
) -> tuple[Path, Callable[[Path], bool]]:
    """Write one spoiled file; hand back its path and what reads it."""
    kind = rng.choice(["frame"] * 8 + ["setup", "facts"])
    if kind == "setup":
        name, data, read = "setup.toml", with_words(SETUP, rng), read_setup
    elif kind == "facts":
        name, data, read = "facts.csv", with_words(FACTS, rng), read_facts
    else:
        name = str(rng.choice(list(sound)))
        data, read = spoiled_frame(name, sound, rng), read_it
    path = folder / name
    path.write_bytes(data)
    return path, read


def spoiled_frame(name: str, sound: dict[str, bytes], rng: np.random.Generator) -> bytes:
    packed = name.endswith(".gz") and rng.random() < 0.5
    data = bytearray(sound["a.fits"] if packed else sound[name])
    for _ in range(rng.integers(1, 4)):
        way = rng.choice(["bits", "cut", "card", "card", "card", "double", "swap", "zero", "end"])
        at = int(rng.integers(0, max(1, len(data))))
        if way == "bits":
            for place in rng.integers(0, max(1, len(data)), rng.integers(1, 50)).tolist():
                data[place : place + 1] = bytes([int(rng.integers(0, 256))])
        elif way == "cut":
            del data[at:]
        elif way == "double":
            data += data[at : at + 80 * int(rng.integers(1, 80))]
        elif way == "swap":
            data[at : at + 2880], data[:2880] = data[:2880], data[at : at + 2880]
        elif way == "zero":
            data[at : at + int(rng.integers(1, 5000))] = b""
        elif way == "end":
            data = bytearray(bytes(data).replace(b"END" + b" " * 77, b" " * 80, 1))
        else:
            set_card(data, str(rng.choice(CARDS)), str(rng.choice(VALUES)), rng)
    return gzip.compress(bytes(data), 1) if packed else bytes(data)


def set_card(data: bytearray, keyword: str, value: str, rng: np.random.Generator) -> None:
    """Overwrite a card, or another one where the header lacks it."""
    card = f"{keyword:8}= {value:>20} / "[:80].ljust(80).encode("latin-1")
    at = bytes(data).find(f"{keyword:8}=".encode())
    if at < 0:
        at = 80 * int(rng.integers(1, 30))
    data[at : at + 80] = card


def with_words(text: str, rng: np.random.Generator) -> bytes:
    """Put hostile words into a text, at places or instead of its values."""
    for _ in range(rng.integers(1, 4)):
        word = str(rng.choice(WORDS))
        marks = [i + 1 for i, c in enumerate(text) if c in "=,\n"]
        at = int(rng.choice(marks)) if rng.random() < 0.7 else int(rng.integers(0, len(text)))
        text = text[:at] + word + text[at + int(rng.integers(0, 6)) :]
    data = text.encode("utf-8", "surrogatepass")
    return data if rng.random() < 0.9 else data.replace(b"a", b"\xe9", 1)


def read_it(path: Path) -> bool:
    """Read and measure a frame; False where it is refused."""
    (file,) = list_frames([path])
    if file.reason and not file.reason.isprintable():
        msg = f"a reason that cannot be shown: {file.reason!r}"
        raise AssertionError(msg)
    if not file.usable or file.facts is None:
        return False
    for frame in measure_files([file.facts]):  # three where a card makes it a colour camera's
        assert frame.reason or np.isfinite(frame.radius_px)
    return True


def read_setup(path: Path) -> bool:
    load_setup(path)
    return True


def read_facts(path: Path) -> bool:
    read_facts_csv(path)
    return True


def tried(path: Path, read: Callable[[Path], bool]) -> tuple[float, str, list[str]]:
    """Seconds of CPU, how it ended, and what went wrong."""
    wrong, end = [], "refused"
    # The system keeps the peak only: a file is guilty if it raises it by so much.
    before = peak_bytes()
    signal.setitimer(signal.ITIMER_PROF, HANG_SECONDS)
    start = time.process_time()  # a busy machine is no hang
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            end = "read" if read(path) else "refused"
        except InputError as error:
            if len(str(error).splitlines()) != 1:
                wrong.append("an error of several lines")
        except Exception as error:
            frame = traceback.extract_tb(error.__traceback__)[-1]
            wrong.append(
                f"{type(error).__name__} in {Path(frame.filename).name} {frame.name}: {error}"
            )
    seconds = time.process_time() - start
    signal.setitimer(signal.ITIMER_PROF, 0)
    peak = peak_bytes() - before
    wrong += sorted({f"warning: {w.category.__name__}: {w.message}" for w in warned})
    if seconds > MOST_SECONDS:
        wrong.append(f"more than {MOST_SECONDS:g} seconds")
    if peak > MOST_BYTES + 1100 * path.stat().st_size:
        wrong.append("too much memory")
    return seconds, end, wrong


if __name__ == "__main__":
    sys.exit(main())
