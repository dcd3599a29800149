"""A night to practise with: a scene and what the observer does there."""

from dataclasses import dataclass, replace
from typing import Final

from ..optics import wing_slope_px_per_um
from .headers import HeaderStyle
from .lens import Lens
from .plan import NightPlan
from .pupil import Pupil
from .scene import Scene

ALL_FILTERS: Final = ("L", "R", "G", "B", "Ha", "OIII", "SII")
FEW_FILTERS: Final = ("L", "R", "G", "B", "Ha")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scene, what the observer does there, and one sentence for people."""

    text: str
    scene: Scene
    plan: NightPlan
    styles: tuple[HeaderStyle, ...] = (HeaderStyle(),)


def swept_night(
    text: str,
    scene: Scene,
    ends_px: float,
    *,
    order: tuple[str, ...] = ALL_FILTERS,
    plan: NightPlan | None = None,
) -> Scenario:
    """Sweep of 11 positions to where geometry makes the radius ``ends_px``."""
    lens, focuser = scene.lens, scene.focuser
    slope = wing_slope_px_per_um(lens.focal_ratio, scene.sensor.pixel_um, lens.obstruction)
    plan = plan or NightPlan()
    spacing = 2 * ends_px / slope / focuser.um_per_step / (plan.positions - 1)
    plan = replace(
        plan, order=order, spacing_steps=round(spacing), miscentre_steps=round(spacing / 4)
    )
    return Scenario(text=text, scene=scene, plan=plan)


def with_lens(scene: Scene, *, pupil: Pupil | None = None, **field_um: float) -> Scene:
    """The scene with another pupil and another field."""
    lens: Lens = replace(scene.lens, pupil=pupil or scene.lens.pupil, **field_um)  # type: ignore[arg-type]
    return replace(scene, lens=lens)
