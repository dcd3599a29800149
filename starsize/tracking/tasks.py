"""What is done to one frame, in this process or in a worker: read it, measure its channels.

Tasks are plain data that can be sent to another process; so are the answers, which hold tables
of stars and never pixels.
"""

from dataclasses import dataclass, fields
from functools import partial
from itertools import zip_longest

import numpy as np

from ..errors import FrameReadError
from ..frames.calibration import Calibration, apply_calibration
from ..frames.frame import Frame, FrameFacts
from ..frames.pixels import read_pixels
from ..photometry import ImageRadius, Known, Stars, measure_image
from ..photometry.scale import no_stars
from ..setup import Camera
from .colour import grid_of
from .measured import FrameRadius
from .slopes import field_slopes
from .words import LOST_WORKER, reason_of


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """One frame, how to read it, and which of its channels to measure."""

    facts: FrameFacts
    channels: tuple[str, ...]
    camera: Camera
    calibration: Calibration | None = None
    hints: tuple[Known, ...] = ()
    """For a second look, one a channel."""
    all_stars: bool = False
    """Whether ``Look.stars`` holds every star, not only those behind the frame's radius."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One channel of one frame, measured alone; places in pixels of the frame."""

    frame: FrameRadius
    stars: Stars
    read: bool = True
    """False where the file could not be read, or its worker died."""


def measure_task(task: Task) -> tuple[Look, ...]:
    """Measure the channels of a frame; the file is read once."""
    try:
        image = _load(task)
    except FrameReadError as error:
        return unmeasured(task, str(error))
    told = zip_longest(task.channels, task.hints)
    return tuple(_measure(task, channel, image, hint) for channel, hint in told)


def unmeasured(task: Task, reason: str = LOST_WORKER) -> tuple[Look, ...]:
    """What is said of a frame that could not be looked at."""
    return tuple(
        Look(FrameRadius(facts=task.facts, channel=channel, reason=reason), no_stars(0), read=False)
        for channel in task.channels
    )


def _measure(task: Task, channel: str, image: np.ndarray, hint: Known | None) -> Look:
    camera, facts = task.camera, task.facts
    grid = grid_of(channel, facts, camera)
    gain = camera.gain_e_per_adu or facts.gain_e_per_adu
    measure = partial(
        measure_image,
        image,
        known=hint,
        # The mean of several pixels holds the electrons of them all.
        gain_e_per_adu=gain and gain * len(grid.corners),
        saturation_adu=camera.saturation_adu or facts.saturation_adu,
        grid=grid,
    )
    measured = measure()
    stars = measure(max_stars=None).stars if task.all_stars else measured.stars
    known = {f.name: getattr(measured.radius, f.name) for f in fields(ImageRadius)}
    known |= {"reason": reason_of(measured.radius), "light_adu": _typical_light(measured.stars)}
    slopes = field_slopes(measured.stars, image.shape)
    if slopes is not None:
        known |= dict(zip(("slopes", "slopes_sigma"), slopes, strict=True))
    return Look(FrameRadius(facts=facts, channel=channel, **known), stars)


def _typical_light(stars: Stars) -> float:
    """Median light of the 30th to 60th brightest star, ADU; of few stars, of the second quarter."""
    # These stay the same while cloud passes: brighter ones burn out, fainter ones vanish.
    light = np.sort(stars.flux[np.isfinite(stars.flux)])[::-1]
    first, last = (30, 60) if light.size > 70 else (light.size // 4, light.size // 2 + 1)
    return float(np.median(light[first:last])) if light.size else float("nan")


def _load(task: Task) -> np.ndarray:
    """The whole frame, calibrated if asked for; NaN where there is no value."""
    if task.calibration is None or task.calibration.is_empty:
        image, mask = read_pixels(task.facts, dtype=None)
    else:
        image, mask = read_pixels(task.facts)
        frame = apply_calibration(
            Frame(image, task.facts, mask),
            task.calibration,
            saturation_adu=task.camera.saturation_adu,
        )
        image, mask = frame.image, frame.mask
    if mask is not None:
        image = np.where(mask, np.float32(np.nan), image.astype(np.float32))
    return image
