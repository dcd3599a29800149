"""Glass or telescope: who is said to keep the filters apart, over invented telescopes and filters.

Run: ``python scripts/colour_blame.py --nights 2``; writes a section of scripts/results/colour.md.
Every telescope has every set of filters, all of even glass or with one or two odd filters, where
these keep the set apart. Nights are drawn at the level of best focus (`simulate.sweep_night`):
each filter once, the first once more, three degrees of cooling. ``in part``: the telescope is
named, and keeps the filters apart by itself, but glass plays a part too.
"""

import argparse
from collections import Counter

import numpy as np
from _results import RESULTS, write_section
from _sweeps import curves_of

from starsize import compare_sweeps
from starsize.filters import BANDS
from starsize.optics import critical_focus_zone_um, plate_shift_mm
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate.colour_night import UM_PER_STEP, doublet_offsets
from starsize.simulate.sweep_night import SweepNight

#: Glasses and the share of their colour that is left, focal length and aperture in mm.
LENSES = {
    "mirror f/6": (None, 600.0, 100.0),
    "apochromat f/5.5": (("S-FPL53", "N-ZK7", 0.5), 500.0, 91.0),
    "doublet f/7.5": (("S-FPL53", "N-ZK7", 1.0), 900.0, 120.0),
    "achromat f/6": (("N-BK7", "F2", 1.0), 600.0, 100.0),
    "achromat f/10": (("N-BK7", "F2", 1.0), 1000.0, 100.0),
    # No rule was chosen on those below.
    "achromat f/8": (("N-BK7", "SF2", 1.0), 800.0, 100.0),
    "achromat f/12": (("N-ZK7", "F2", 1.0), 1200.0, 100.0),
    "reversed f/7": (("N-BK7", "F2", -0.6), 700.0, 100.0),
}
FILTERS = (
    ("L", "R", "G", "B", "Ha", "SII", "OIII"),
    ("L", "R", "G", "B"),
    ("Ha", "SII", "OIII"),
    ("L", "Ha", "OIII"),
    ("R", "G", "B"),
)
#: Glass more than the others, mm.
ODD: tuple[dict[str, float], ...] = (
    {}, {"OIII": 1.0}, {"G": 1.0}, {"B": -1.0}, {"R": 0.5}, {"Ha": 1.0}, {"SII": 0.5, "OIII": 0.8},
)  # fmt: skip
COOLING = SweepNight(fit_sigma=0.5, steps_per_degC=-5.0, warm=11.0, cold=8.0)
WORDS = ("right", "in part", "open", "wrong", "odd filter right", "odd filter in error")


def apart(steps: dict[str, float], zone: dict[str, float], names: list[str]) -> bool:
    """Whether no one position lies in the zones of all."""
    return max(steps[n] - zone[n] for n in names) > min(steps[n] + zone[n] for n in names)


def one_set(lens: str, names: tuple[str, ...], odd: dict[str, float], nights: int) -> Counter[str]:
    """What is said of one telescope with one set of filters."""
    glasses, focal, aperture = LENSES[lens]
    own = dict.fromkeys(names, 0.0)
    if glasses:
        crown, flint, share = glasses
        own = doublet_offsets(crown, flint, names, focal_length_mm=focal, share=share)
    per_mm = 1e3 * plate_shift_mm(1.0, 1.5168, focal / aperture) / UM_PER_STEP
    true = {n: own[n] + per_mm * odd.get(n, 0.0) for n in names}
    zone = {n: critical_focus_zone_um(BANDS[n].wavelength_nm, focal / aperture) for n in names}
    zone = {n: um / UM_PER_STEP for n, um in zone.items()}
    said: Counter[str] = Counter()
    if not apart(true, zone, list(names)):
        return said
    cause = "telescope"
    if odd:
        cause = "both" if apart(own, zone, [n for n in names if n not in odd]) else "glass"
    setup = Setup(
        telescope=Telescope(focal_length_mm=focal, aperture_mm=aperture),
        focuser=Focuser(um_per_step=UM_PER_STEP),
    )
    sweeps = SweepNight(
        order=(*names, names[0]), offsets=true, fit_sigma=COOLING.fit_sigma,
        steps_per_degC=COOLING.steps_per_degC, warm=COOLING.warm, cold=COOLING.cold,
    )  # fmt: skip
    for k in range(nights):
        drawn = sweeps.draw(np.random.default_rng([9, k]))
        found = compare_sweeps(curves_of(drawn), setup=setup).colour
        if found.verdict != "apart":
            continue
        in_part = (cause, found.cause) == ("both", "telescope")
        said["right"] += found.cause == cause
        said["in part"] += in_part
        said["open"] += found.cause == "unknown"
        said["wrong"] += found.cause not in (cause, "unknown") and not in_part
        named = {one.filter for one in found.odd_filters}
        said["odd filter in error"] += bool(named - set(odd))
        said["odd filter right"] += bool(named) and named <= set(odd)
    return said


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=2, help="of each telescope and filters")
    nights = parser.parse_args().nights
    rows = [f"| telescope | filters | {' | '.join(WORDS)} |", "|---" * (2 + len(WORDS)) + "|"]
    total: Counter[str] = Counter()
    for lens in LENSES:
        for names in FILTERS:
            said = Counter[str]()
            for odd in ODD:
                if odd.keys() <= set(names):
                    said += one_set(lens, names, odd, nights)
            total += said
            rows.append(
                f"| {lens} | {' '.join(names)} | {' | '.join(str(said[w]) for w in WORDS)} |"
            )
            print(rows[-1], flush=True)
    rows.append(f"| all | | {' | '.join(str(total[w]) for w in WORDS)} |")
    write_section(
        "Glass or telescope",
        "\n".join(rows),
        script=f"colour_blame.py --nights {nights}",
        file=RESULTS / "colour.md",
    )


if __name__ == "__main__":
    main()
