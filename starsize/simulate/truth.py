"""What is true of a simulated night."""

from collections import Counter
from dataclasses import dataclass

import numpy as np

from ..optics import critical_focus_zone_um
from .focuser import FocuserPhysics
from .lens import Lens
from .plan import NightPlan, count_at
from .scene import Scene


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTruth:
    """One sweep: the best focus an ideal observer would have found, at its mean temperature."""

    sweep: int
    filter: str
    rising: bool
    temperature_degC: float
    best_focus_steps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightTruth:
    """What is true of a night, for checking what was measured.

    ``best_focus_steps`` is, per filter, the position of the smallest noiseless half-flux radius at
    ``reference_degC``, for the direction of the sweeps; ``offset_steps`` the difference to the
    reference filter; ``zone_steps`` the half-width of the critical focus zone. For a colour camera
    there is one value per colour. ``lens`` and ``focuser`` hold tilt, curvature, play and slip.
    """

    marked: str
    seed: int
    reference: str
    reference_degC: float
    best_focus_steps: dict[str, float]
    offset_steps: dict[str, float]
    zone_steps: dict[str, float]
    um_per_step: float
    steps_per_degC: float
    backlash_steps: float
    thickness_mm: dict[str, float]
    sweeps: tuple[SweepTruth, ...]
    lens: Lens
    focuser: FocuserPhysics


def measured_filters(scene: Scene, plan: NightPlan) -> tuple[str, ...]:
    """Filters that get a truth: those of the plan, or the colours of a colour camera."""
    names = tuple(dict.fromkeys(plan.order))
    if scene.sensor.bayer is not None:
        names = tuple(dict.fromkeys(("R", "G", "B", *plan.order)))
    missing = [name for name in names if name not in scene.filters]
    if missing:
        msg = f"'scene' has no filter {', '.join(missing)}; it has {', '.join(scene.filters)}"
        raise ValueError(msg)
    return names


def night_truth(
    scene: Scene, plan: NightPlan, best: dict[str, float], sweeps: list[SweepTruth], seed: int
) -> NightTruth:
    """Bring the truths of the sweeps to the mean temperature and to offsets."""
    warm = float(np.mean([sweep.temperature_degC for sweep in sweeps]))
    counts = {name: count_at(scene, plan, value, warm) for name, value in best.items()}
    reference = "G" if scene.sensor.bayer else Counter(plan.order).most_common(1)[0][0]
    reference = "L" if "L" in best else reference
    zones = {}
    for name in best:
        plate = scene.filters[name]
        colour = float(np.average(plate.wavelengths_nm, weights=plate.weights))
        zone_um = critical_focus_zone_um(colour, scene.lens.focal_ratio)
        zones[name] = zone_um / scene.focuser.um_per_step
    return NightTruth(
        marked="SIMULATED, INVENTED: no real telescope, site or sky",
        seed=seed,
        reference=reference,
        reference_degC=warm,
        best_focus_steps=counts,
        offset_steps={name: value - counts[reference] for name, value in counts.items()},
        zone_steps=zones,
        um_per_step=scene.focuser.um_per_step,
        steps_per_degC=scene.focuser.steps_per_degC,
        backlash_steps=scene.focuser.backlash_steps,
        thickness_mm={name: scene.filters[name].thickness_mm for name in best},
        sweeps=tuple(sweeps),
        lens=scene.lens,
        focuser=scene.focuser,
    )
