"""Write the demo night (simulated, invented) and the list of checksums of ``testdata``.

    python scripts/make_testdata.py               the demo night into testdata/demo_night
    python scripts/make_testdata.py --out DIR     the same elsewhere
    python scripts/make_testdata.py --registry    only renew testdata/registry.txt

The night is drawn by ``starsize.simulate`` from one seed: the same pixels every time.
"""

import argparse
import hashlib
import shutil
from pathlib import Path

from starsize.simulate import (
    FocuserPhysics,
    HeaderStyle,
    Lens,
    Night,
    NightPlan,
    Scene,
    Sensor,
    Sky,
    StarField,
    seven_plates,
    simulate_night,
    write_night,
)

TESTDATA = Path(__file__).resolve().parent.parent / "testdata"
DEMO = TESTDATA / "demo_night"
REGISTRY = TESTDATA / "registry.txt"
SEED = 20310203

#: Millimetres of glass, as filters bought one by one differ.
GLASS_MM = {"G": 2.01, "B": 2.02, "Ha": 2.02, "SII": 2.25, "OIII": 2.50}

#: The capture program was set up anew after the fifth sweep, and spells things otherwise.
BEFORE = HeaderStyle(
    filter_names=(("L", "Luminance"), ("R", "Red"), ("G", "Green"), ("B", "Blue")),
    prefix="evening_",
)
AFTER = HeaderStyle(
    position="FOCPOS",
    temperature="FOCUSTEM",
    exposure="EXPOSURE",
    position_as="float",
    filter_names=(("L", "Lum"), ("Ha", "H-alpha"), ("SII", "S II"), ("OIII", "O3")),
    prefix="night_",
)


def demo_scene() -> Scene:
    """The invented telescope on its invented hill."""
    return Scene(
        lens=Lens(
            focal_length_mm=480.0,
            aperture_mm=87.3,
            glasses=("S-FPL53", "N-ZK7"),
            colour_share=0.4,
        ),
        filters=seven_plates(GLASS_MM),
        focuser=FocuserPhysics(
            um_per_step=4.0,
            home_steps=11840.0,
            home_degC=10.0,
            steps_per_degC=-2.6,
            backlash_steps=24.0,
            scatter_steps=0.3,
        ),
        sensor=Sensor(
            shape=(480, 640), pixel_um=3.76, gain_e_per_adu=1.4, read_noise_e=2.1, hot_pixels=25
        ),
        sky=Sky(
            seeing_arcsec=2.9,
            jitter=0.05,
            glow_e_per_s=0.9,
            cosmic_rays=0.5,
            vignetting=0.08,
            satellite_chance=0.02,
        ),
        stars=StarField(
            count=130, faintest_e_per_s=250.0, brightest_e_per_s=9e4, clearance_px=18.0, seed=3
        ),
        telescope="Invented refractor 87/480",
        site="Invented Hill Observatory",
    )


def demo_night() -> Night:
    """Nine sweeps of eleven frames over three and a half hours, L three times."""
    plan = NightPlan(
        order=("L", "R", "G", "B", "L", "Ha", "SII", "OIII", "L"),
        positions=11,
        spacing_steps=19,
        miscentre_steps=6.0,
        start="2031-02-03T19:42:00",
        interval_s=1500.0,
        warm_degC=11.4,
        cold_degC=7.8,
        dither_px=5.0,
        drift_px_per_h=5.0,
        flip_before=7,
    )
    return simulate_night(demo_scene(), plan, seed=SEED, styles=(BEFORE, AFTER))


README = """\
# Demo night: SIMULATED DATA, INVENTED

An invented telescope (refractor of 480 mm focal length and 87.3 mm aperture) on the invented
"Invented Hill Observatory", drawn by `starsize.simulate`. No real telescope, site, sky or person.

- 99 frames, nine focus sweeps of eleven positions: L R G B L Ha SII OIII L, one every 25 minutes.
- The tube cools from 11.4 to 7.8 degC; best focus moves by -2.6 steps per degC.
- A good refractor with filters from two makers: most hold 2.00 to 2.02 mm of glass, SII 2.25 mm
  and OIII 2.50 mm, so that some need a move of the focuser and some do not.
- Seeing scatters by 5 % from frame to frame. Hot pixels, a few cosmic rays, drift between the
  sweeps and a meridian flip before the eighth are there; the frames are not calibrated.
- The headers change their spelling after the fifth sweep, as if the camera had been set up anew.

`truth.json` holds what is true of the night: best focus per filter at the mean temperature,
offsets to L, the half-width of the critical focus zone. `setup.toml` is what its observer might
write.

To draw it again, pixel for pixel: `python scripts/make_testdata.py`.
The licence of the code holds for these files too.
"""


def write_demo(folder: Path) -> None:
    """Write the demo night; a folder of an earlier run is replaced."""
    if folder.exists():
        shutil.rmtree(folder)
    write_night(folder, demo_night())
    (folder / "README.md").write_text(README, encoding="utf-8", newline="\n")


def registry_lines(root: Path) -> list[str]:
    """Return ``sha256  path`` of every file below ``root``, sorted, without the list itself."""
    lines = []
    for path in sorted(root.rglob("*")):
        hidden = any(part.startswith(".") for part in path.relative_to(root).parts)
        if path.is_file() and not hidden and path != root / REGISTRY.name:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            lines.append(f"{digest}  {path.relative_to(root).as_posix()}")
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description="Write the demo night and the checksums.")
    parser.add_argument("--out", type=Path, default=DEMO, help="folder of the demo night")
    parser.add_argument("--registry", action="store_true", help="only renew the checksums")
    asked = parser.parse_args()
    if not asked.registry:
        write_demo(asked.out)
        print(f"wrote {asked.out}")
    if asked.registry or asked.out == DEMO:
        REGISTRY.write_text(
            "\n".join(registry_lines(TESTDATA)) + "\n", encoding="utf-8", newline="\n"
        )
        print(f"wrote {REGISTRY}")


if __name__ == "__main__":
    main()
