"""A night of exposures as frames in a folder, with its truth beside them."""

import json
from collections.abc import Iterator
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from ..optics import critical_focus_zone_um
from .curve import true_best_focus
from .exposure import Pointing, Shot, draw_exposure
from .frame_file import write_frame
from .headers import HeaderStyle, frame_cards
from .long_night import LongNight, LongNightPlan, live_through
from .night import DrawnFrame
from .scene import Scene

BEGINS: Final = datetime(2024, 1, 12, 20, 0, 0)
HOME_STEPS: Final = 12000


def draw_long_night(
    scene: Scene,
    plan: LongNightPlan,
    *,
    seed: int,
    offset_steps: dict[str, float] | None = None,
) -> tuple[LongNight, Iterator[DrawnFrame]]:
    """Let a night happen and draw its exposures one after another.

    Parameters
    ----------
    scene : Scene
    plan : LongNightPlan
    seed : int
        Same seed, same night, pixel for pixel.
    offset_steps : dict of str to float, optional
        The observer's table by filter; the true offsets by default. What ``plan`` makes wrong is
        drawn so that this table is the one that is off.
    """
    night = live_through(plan, seed=seed)
    names = dict.fromkeys(night.filters)
    best = {name: true_best_focus(scene, name, pixels=False) for name in names}
    first = next(iter(best.values()))
    table = offset_steps or {name: place - first for name, place in best.items()}
    return night, _frames(scene, plan, night, best, table, seed)


def write_long_night(
    folder: Path,
    scene: Scene,
    plan: LongNightPlan,
    *,
    seed: int,
    offset_steps: dict[str, float] | None = None,
) -> LongNight:
    """Draw a night into a folder: frames, and ``truth.json`` marked as invented."""
    folder.mkdir(parents=True, exist_ok=True)
    night, frames = draw_long_night(scene, plan, seed=seed, offset_steps=offset_steps)
    for frame in frames:
        write_frame(folder / f"{frame.name}.fits", frame.image, cards=frame.cards)
    truth = {
        "marked": "SIMULATED, INVENTED: no real telescope, site or sky",
        "seed": seed,
        "plan": asdict(plan),
        "filters": night.filters,
        "defocus_zones": night.defocus_zones.round(4).tolist(),
        "seeing": night.seeing.round(4).tolist(),
        "cloud": night.cloud.round(4).tolist(),
        "smear_px": np.hypot(*night.smear_px.T).round(4).tolist(),
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return night


def _frames(
    scene: Scene,
    plan: LongNightPlan,
    night: LongNight,
    best: dict[str, float],
    table: dict[str, float],
    seed: int,
) -> Iterator[DrawnFrame]:
    focuser = scene.focuser
    zone = critical_focus_zone_um(550.0, scene.lens.focal_ratio) / focuser.um_per_step
    for k, name in enumerate(night.filters):
        begins = BEGINS + timedelta(hours=float(night.hours[k]))
        shot = Shot(
            filter=name,
            camera_steps=best[name] + focuser.outward * zone * float(night.defocus_zones[k]),
            # What cooling does is in the defocus already.
            temperature_degC=focuser.home_degC,
            exposure_s=plan.exposure_s,
            seeing_factor=float(night.seeing[k]),
            smear_px=(float(night.smear_px[k, 0]), float(night.smear_px[k, 1])),
            cloud=float(night.cloud[k]),
            pointing=Pointing(
                dx_px=float(night.dither_px[k, 0]),
                dy_px=float(night.dither_px[k, 1]),
                rotation_deg=180.0 if night.flipped[k] else 0.0,
            ),
        )
        sky = replace(scene.sky, glow_e_per_s=scene.sky.glow_e_per_s * float(night.glow[k]))
        rng = np.random.default_rng([seed, 71, k])
        moved = table[name] + focuser.outward * zone * float(night.moved_zones[k])
        cards = frame_cards(
            scene,
            HeaderStyle(prefix="light_"),
            filter_name=name,
            position=HOME_STEPS + round(moved),
            temperature_degC=float(night.temperature_degC[k]),
            exposure_s=plan.exposure_s,
            begins=begins,
        )
        cards["OBJCTALT"] = (round(float(night.altitude_deg[k]), 2), "[deg] altitude of the field")
        image = draw_exposure(replace(scene, sky=sky), shot, rng=rng)
        yield DrawnFrame(image, cards, f"light_{k + 1:04d}")
