"""The same stars through the frames of a sweep."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from ..errors import FrameReadError
from ..frames.frame import FrameFacts, Sweep
from ..frames.pixels import read_pixels
from ..setup import Setup
from .colour import channels_of, plane
from .combine import combine_stars
from .defects import HotPixels, mend
from .flags import StarFlag, count_flags
from .background import Sky
from .measure import data_ceiling, flag_frame, measure_places
from .measured import FrameRadius, MeasuredSweep, StarTracks
from .patches import Neighbours
from .radius import Radii, measure_at, no_radii
from .register import STILL, Motion, align
from .survey import Found, survey

_MAX_STARS = 500
_MIN_STARS_FOUND = 1

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class _Survey:
    """What one channel of one frame shows by itself; small enough to send between processes."""

    found: Found
    radii: Radii
    sky: Sky
    hot: HotPixels
    ceiling: float
    reason: str | None = None


def measure_sweeps(
    sweeps: Sequence[Sweep],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: object = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[MeasuredSweep, ...]:
    """Measure every frame of the sweeps on the same stars.

    Parameters
    ----------
    sweeps : sequence of Sweep
    setup : Setup
        Gain, read-out noise, ceiling and colour pattern of the camera, where they are known.
    calibration : Calibration, optional
        Master frames to apply.
    executor : concurrent.futures.Executor, optional
        Spreads the frames; None works in this process. Workers hand back small tables only.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    tuple of MeasuredSweep
        One for each sweep, in order; three (R, G, B) for a sweep of a colour camera.
    """
    jobs = [
        (facts, channel, setup, calibration)
        for sweep in sweeps
        for facts in sweep.frames
        for channel in channels_of(sweep.frames[0], setup.camera)
    ]
    report = _Counter(progress, 2 * len(jobs))
    surveys = list(report(_spread(executor, _survey_task, jobs)))
    plans, tasks, k = [], [], 0
    for sweep in sweeps:
        channels = channels_of(sweep.frames[0], setup.camera)
        n = len(sweep.frames) * len(channels)
        block = surveys[k : k + n]
        for c, channel in enumerate(channels):
            plan = _plan(sweep, channel, block[c :: len(channels)])
            plans.append(plan)
            tasks += [
                (facts, channel, setup, calibration, plan, j)
                for j, facts in enumerate(sweep.frames)
            ]
        k += n
    answers = list(report(_spread(executor, _measure_task, tasks)))
    out, k = [], 0
    for plan in plans:
        n = len(plan.sweep.frames)
        out.append(_assemble(plan, answers[k : k + n]))
        k += n
    return tuple(out)


def measure_files(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: object = None,
    executor: Executor | None = None,
) -> tuple[FrameRadius, ...]:
    """Measure frames one by one, each on its own stars.

    Returns
    -------
    tuple of FrameRadius
        One for each frame, in order; a colour camera's frame is measured in green.
    """
    jobs = []
    for facts in facts_list:
        channels = channels_of(facts, setup.camera)
        jobs.append((facts, "G" if "G" in channels else "", setup, calibration))
    return tuple(_single(job[0], s) for job, s in zip(jobs, _spread(executor, _survey_task, jobs)))


def _single(facts: FrameFacts, seen: _Survey) -> FrameRadius:
    radii = seen.radii
    usable = (radii.flags == 0)[:, None]
    combined = combine_stars(radii.own_radius[:, None], radii.own_sigma[:, None], usable)
    return _frame_radius(
        facts, seen, radii, combined.radius[0], combined.sigma[0], int(combined.n_stars[0])
    )


def _frame_radius(facts, seen, radii, radius, sigma, n_stars) -> FrameRadius:
    reason = seen.reason
    if reason is None and not np.isfinite(radius):
        reason = "no star of this frame could be measured"
    good = radii.flags == 0
    elongation = radii.elongation[good & np.isfinite(radii.elongation)]
    return FrameRadius(
        facts=facts,
        radius_px=float(radius),
        radius_sigma_px=float(sigma),
        n_stars=n_stars,
        n_found=len(seen.found.x),
        background_adu=seen.sky.level,
        background_rms_adu=seen.sky.noise,
        elongation=float(np.median(elongation)) if elongation.size else float("nan"),
        set_aside=count_flags(radii.flags),
        reason=reason,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """Which stars to follow through a sweep and where each frame has them."""

    sweep: Sweep
    channel: str
    surveys: tuple[_Survey, ...]
    places: np.ndarray
    flags: np.ndarray
    motions: tuple[Motion | None, ...]


def _plan(sweep: Sweep, channel: str, surveys: Sequence[_Survey]) -> _Plan:
    """Choose the reference frame and register the others on it."""
    counts = [int(np.count_nonzero(s.radii.flags == 0)) for s in surveys]
    scales = [s.found.scale_px for s in surveys]
    # The frame with most good stars; among equals the sharpest.
    best = max(range(len(surveys)), key=lambda i: (counts[i], -scales[i]))
    ref = surveys[best].radii
    places = np.stack([ref.x, ref.y], 1)
    motions: list[Motion | None] = []
    for i, s in enumerate(surveys):
        if i == best:
            motions.append(STILL)
            continue
        tolerance = max(3.0, 0.3 * max(s.found.scale_px, scales[best]))
        motions.append(align(places, np.stack([s.radii.x, s.radii.y], 1), tolerance_px=tolerance))
    lasting = StarFlag.SATURATED | StarFlag.SHAPE | StarFlag.BLENDED
    return _Plan(sweep, channel, tuple(surveys), places, ref.flags & int(lasting), tuple(motions))


def _survey_task(job) -> _Survey:
    facts, channel, setup, calibration = job
    try:
        image = _load(facts, channel, setup, calibration)
    except FrameReadError as error:
        return _nothing(str(error))
    sky, found, hot = survey(image)
    mend(image, hot)
    ceiling = _ceiling(facts, setup, image)
    radii = measure_places(
        image, found, sky, gain=_gain(facts, setup), ceiling=ceiling, max_stars=_MAX_STARS
    )
    return _Survey(found, radii, sky, hot, ceiling)


def _measure_task(job) -> Radii:
    facts, channel, setup, calibration, plan, j = job
    seen, motion = plan.surveys[j], plan.motions[j]
    if seen.reason is not None or motion is None:
        return no_radii(len(plan.places))
    image = _load(facts, channel, setup, calibration)
    mend(image, seen.hot)
    places = motion(plan.places)
    known = np.isfinite(seen.radii.radius) & (seen.radii.flags == 0)
    guess = float(np.median(seen.radii.radius[known])) if known.any() else seen.found.radius_px
    radii = measure_at(
        image,
        places,
        guess_px=guess,
        sky=seen.sky.at(places[:, 0], places[:, 1]),
        noise=seen.sky.noise,
        gain=_gain(facts, setup),
        ceiling=seen.ceiling,
        neighbours=Neighbours(np.stack([seen.found.x, seen.found.y], 1), seen.found.peak),
    )
    return flag_frame(radii)


def _assemble(plan: _Plan, answers: Sequence[Radii]) -> MeasuredSweep:
    radius = np.stack([a.own_radius for a in answers], 1)
    sigma = np.stack([a.own_sigma for a in answers], 1)
    flags = np.stack([a.flags for a in answers], 1) | plan.flags[:, None]
    scale = 2.0 if plan.channel else 1.0
    radius, sigma = radius * scale, sigma * scale
    combined = combine_stars(radius, sigma, flags == 0)
    flags[combined.outlier] |= StarFlag.OUTLIER
    frames = []
    for j, (facts, seen) in enumerate(zip(plan.sweep.frames, plan.surveys, strict=True)):
        if plan.motions[j] is None and seen.reason is None:
            seen = replace(seen, reason="its stars do not match those of the other frames")
        own = replace(answers[j], flags=flags[:, j])
        n = int(combined.n_stars[j])
        frames.append(_frame_radius(facts, seen, own, combined.radius[j], combined.sigma[j], n))
    name = plan.channel or plan.sweep.filter
    return MeasuredSweep(
        id=f"{plan.sweep.id}-{plan.channel}" if plan.channel else plan.sweep.id,
        filter=name,
        sweep=plan.sweep,
        frames=tuple(frames),
        tracks=StarTracks(
            x_px=plan.places[:, 0] * scale, y_px=plan.places[:, 1] * scale,
            radius_px=radius, radius_sigma_px=sigma, flags=flags,
        ),
    )  # fmt: skip


def _load(facts: FrameFacts, channel: str, setup: Setup, calibration: object) -> np.ndarray:
    if calibration is not None:
        from ..frames import apply_calibration, read_frame

        frame = apply_calibration(read_frame(facts), calibration)
        image, mask = frame.image, frame.mask
    else:
        image, mask = read_pixels(facts, dtype=None)
    if mask is not None:
        image = np.where(mask, np.float32(np.nan), image.astype(np.float32))
    return plane(image, channel, facts, setup.camera)


def _gain(facts: FrameFacts, setup: Setup) -> float | None:
    return setup.camera.gain_e_per_adu or facts.gain_e_per_adu


def _ceiling(facts: FrameFacts, setup: Setup, image: np.ndarray) -> float:
    return setup.camera.saturation_adu or facts.saturation_adu or data_ceiling(image)


def _nothing(reason: str) -> _Survey:
    none, nan = np.zeros(0), float("nan")
    sky = Sky(np.full((1, 1), nan), 1.0, nan)
    hot = HotPixels(np.zeros(0, int), np.zeros(0, int), none)
    return _Survey(Found(none, none, none, 4.0, 2.0), no_radii(0), sky, hot, np.inf, reason)


def _spread(
    executor: Executor | None, work: Callable[[Task], Answer], tasks: Iterable[Task]
) -> Iterator[Answer]:
    """Do the tasks in order, here or wherever the executor takes them."""
    return map(work, tasks) if executor is None else executor.map(work, tasks)


class _Counter:
    """Tells the caller how far the work has come."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def __call__(self, answers: Iterator[Answer]) -> Iterator[Answer]:
        for answer in answers:
            self.done += 1
            if self.progress is not None:
                self.progress(self.done, self.total)
            yield answer
