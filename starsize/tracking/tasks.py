"""One frame read and its channels measured, here or by a worker; what was done is remembered.

Tasks are plain data that can be sent to another process; so are the answers, which hold tables
of stars and never pixels.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from functools import lru_cache, partial
from itertools import zip_longest
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from ..cache import Cache
from ..errors import FrameReadError
from ..frames.calibration import Calibration, apply_calibration
from ..frames.frame import Frame, FrameFacts
from ..frames.pixels import content_digest, read_pixels
from ..photometry import Grid, ImageRadius, Known, Stars, measure_image
from ..photometry.scale import no_stars
from ..plain import digest
from ..setup import Camera
from .measured import FrameRadius
from .words import LOST_WORKER, reason_of

Job = TypeVar("Job")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]
Three = tuple[float, float, float]
_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
#: Fewest stars that tell the slopes of a field (common practice: at least 15 a chip), and rounds
#: of weighing; stars of a frame differ by so much at least, and beyond so many sigmas count less.
_LEAST, _ROUNDS, _SCATTER, _HUBER = 24, 5, 0.02, 2.0


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

    @property
    def places(self) -> np.ndarray:
        """Places of the stars as complex numbers, brightest first."""
        return np.asarray(self.stars.x + 1j * self.stars.y)


def channels_of(facts: FrameFacts, camera: Camera) -> tuple[str, ...]:
    """``("R", "G", "B")`` for a colour camera, ``("",)`` for a mono one."""
    return ("R", "G", "B") if _pattern_of(facts, camera) else ("",)


def grid_of(channel: str, facts: FrameFacts, camera: Camera) -> Grid:
    """Where the pixels of a channel lie."""
    letters = enumerate(_pattern_of(facts, camera))
    corners = tuple(divmod(i, 2) for i, letter in letters if letter == channel)
    return Grid(corners, pitch=2) if corners else Grid()


def _pattern_of(facts: FrameFacts, camera: Camera) -> str:
    """Colour pattern in force: the setup's if it states one, else the header's; or none."""
    pattern = (facts.bayer if camera.bayer == "header" else camera.bayer) or ""
    return pattern.upper() if pattern.upper() in _PATTERNS else ""


@lru_cache(maxsize=1)
def keep_freed_memory() -> None:
    """Let this process reuse the memory of large arrays that were freed, of up to 32 MB each.

    The C library of Linux hands such memory back to the system, and asks for it anew for every
    array of every frame, until it has once seen a block as large freed (mallopt(3), "dynamic mmap
    threshold"). Elsewhere nothing happens.
    """
    np.empty((1 << 25) - (1 << 13), np.uint8)


def measure_task(task: Task) -> tuple[Look, ...]:
    """Measure the channels of a frame; the file is read once."""
    keep_freed_memory()
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


def _load(task: Task) -> np.ndarray:
    """The whole frame, calibrated if asked for; NaN where there is no value."""
    if task.calibration is None or task.calibration.is_empty:
        image, mask = read_pixels(task.facts, dtype=None)
    else:
        image, mask = read_pixels(task.facts)
        raw = Frame(image, task.facts, mask)
        frame = apply_calibration(raw, task.calibration, saturation_adu=task.camera.saturation_adu)
        image, mask = frame.image, frame.mask
    if mask is not None:
        image = np.where(mask, np.float32(np.nan), image.astype(np.float32))
    return image


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


def field_slopes(stars: Stars, shape: tuple[int, int]) -> tuple[Three, Three] | None:
    """Slopes of ln radius over a frame, and their uncertainties; None where the stars are too few.

    Along u and v, from -1 to 1 across the frame, and along w, the squared distance from the centre,
    1 in the corners (as ``comparison.field`` has them). ``shape`` is (rows, columns). Stars that
    are odd count less (Huber).
    """
    good = (stars.flags == 0) & (stars.radius > 0) & (stars.radius_sigma > 0)
    if good.sum() < _LEAST:
        return None
    log = np.log(stars.radius[good])
    own = (stars.radius_sigma[good] / stars.radius[good]) ** 2
    rows, columns = shape
    x, y = stars.x[good] - (columns - 1) / 2, stars.y[good] - (rows - 1) / 2
    w = (x**2 + y**2) / ((rows**2 + columns**2) / 4)
    design = np.column_stack([np.ones(x.size), 2 * x / columns, 2 * y / rows, w])
    variance, pull = own + _SCATTER**2, np.ones(x.size)
    for _ in range(_ROUNDS):
        weight = pull / variance
        inner = design.T @ (design * weight[:, None])
        if np.linalg.cond(inner) > 1e6:
            return None
        value = np.linalg.solve(inner, design.T @ (weight * log))
        left = log - design @ value
        # 0.455 is the median of chi-square of one degree of freedom.
        more = max(float(np.median(left**2) / 0.455 - np.median(own)), _SCATTER**2)
        variance = own + more
        pull = np.minimum(1.0, _HUBER * np.sqrt(variance) / np.maximum(np.abs(left), 1e-12))
    sigma = np.sqrt(np.diag(np.linalg.inv(inner)))
    (a, b, c), (da, db, dc) = value[1:].tolist(), sigma[1:].tolist()
    return (a, b, c), (da, db, dc)


def look_at(
    tasks: Sequence[Task],
    executor: Executor | None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> Iterator[tuple[Look, ...]]:
    """Carry out tasks, in order; what the cache has is not measured again.

    Frames are known by their content, not by their name. One that could not be read is not kept:
    the next run tries it again. Here each answer is worked out when it is asked for; an executor
    is given all tasks at once.
    """
    known: Iterable[tuple[str, Any]] = (("", None) for _ in tasks)
    if cache is not None:
        known = ((key, cache.get(key)) for key in _keys(tasks))
    if executor is not None:
        known = list(known)
        todo = [task for task, (_, answer) in zip(tasks, known, strict=True) if answer is None]
        new = spread(executor, measure_task, todo, lost=unmeasured)
    for done, (task, (key, answer)) in enumerate(zip(tasks, known, strict=True), 1):
        if answer is None:
            answer = measure_task(task) if executor is None else next(new)
            if cache is not None and all(look.read for look in answer):
                cache.put(key, answer)
        if progress is not None:
            progress(done, len(tasks))
        # Under the name that the file has today.
        yield tuple(replace(look, frame=replace(look.frame, facts=task.facts)) for look in answer)


def _keys(tasks: Sequence[Task]) -> Iterator[str]:
    """What the answers of tasks depend on: content of the file, facts, settings, master frames."""
    masters = digest([task.calibration for task in tasks[:1]])  # the same for all
    for task in tasks:
        nameless = replace(task, facts=replace(task.facts, path=Path()), calibration=None)
        yield digest(content_digest(task.facts.path), nameless, masters)


def spread(
    executor: Executor,
    work: Callable[[Job], Answer],
    tasks: Sequence[Job],
    *,
    lost: Callable[[Job], Answer],
) -> Iterator[Answer]:
    """Yield the answers of an executor in the order of the tasks.

    A worker that dies takes with it what others of its pool were at. The first task that has no
    answer then is tried once more by a process of its own; if that dies too, ``lost`` says what
    stands for its answer. All others are handed out again.
    """
    waiting = [_handed_out(executor, work, task) for task in tasks]
    for k, task in enumerate(tasks):
        try:
            answer = waiting[k].result()
        except BrokenExecutor:
            answer = _alone(work, task, lost)
            for j, future in enumerate(waiting):
                if j > k and future.done() and isinstance(future.exception(), BrokenExecutor):
                    waiting[j] = _handed_out(executor, work, tasks[j])
        waiting[k] = Future()  # answers of a long night need not all stay in memory
        yield answer


def _handed_out(executor: Executor, work: Callable[[Job], Answer], task: Job) -> Future[Answer]:
    """The future of a task; to a pool that takes no more, it comes back as broken."""
    try:
        return executor.submit(work, task)
    except BrokenExecutor as error:
        refused: Future[Answer] = Future()
        refused.set_exception(error)
        return refused


def _alone(work: Callable[[Job], Answer], task: Job, lost: Callable[[Job], Answer]) -> Answer:
    own = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    with own, suppress(BrokenExecutor):
        return own.submit(work, task).result()
    return lost(task)
