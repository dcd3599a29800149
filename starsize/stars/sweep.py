"""The same stars through the frames of a sweep."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from functools import partial
from typing import TypeVar

import numpy as np
from astropy.table import QTable, vstack

from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts, Sweep
from ..setup import Setup
from .colour import channels_of
from .combine import combine_stars
from .flags import StarFlag, count_flags
from .frame_tasks import Source, Survey, Target, measure_task, single_task, survey_task
from .measure import star_table
from .measured import FrameRadius, MeasuredSweep, StarTracks
from .plan import Plan, plan_sweep
from .radius import Radii

#: A star whose light exceeds its own uncertainty by less than this tells nothing of its radius.
_FAINT = 6.0
_NO_MATCH = "its stars do not match those of the other frames of the sweep"
_NOTHING_SEEN = "no stars were found in this frame"
_NOTHING_USED = "none of its stars could be measured"

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


def measure_sweeps(
    sweeps: Sequence[Sweep],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[MeasuredSweep, ...]:
    """Measure every frame of the sweeps, the same stars in all frames of a sweep.

    Each frame is looked over once; then its sweep's stars are measured in it at their known
    places, whether they can be seen there or not. Memory does not grow with the number of frames.

    Parameters
    ----------
    sweeps : sequence of Sweep
    setup : Setup
        Gain, ceiling and colour pattern of the camera, where they are known; else the frames'
        headers and the data themselves are asked.
    calibration : Calibration, optional
        Master frames to apply.
    executor : concurrent.futures.Executor, optional
        Spreads the frames over its workers, which hand back small tables only; None works in
        this process.
    progress : callable, optional
        Called with the number of steps done and the number in all (two for each frame and
        channel).

    Returns
    -------
    tuple of MeasuredSweep
        One for each sweep, in order; three (R, G, B) for a sweep of a colour camera.

    Raises
    ------
    InputError
        If a calibration frame fits none of the frames.

    Notes
    -----
    Accuracy: scripts/star_accuracy.py; cost: scripts/bench/bench_stars.py.
    """
    shared = _for_workers(calibration, executor)
    runs = [
        (sweep, channel, [Source(facts, channel, setup, shared) for facts in sweep.frames])
        for sweep in sweeps
        for channel in channels_of(sweep.frames[0], setup.camera)
    ]
    counted = _Counter(progress, 2 * sum(len(sources) for _, _, sources in runs))
    looks = counted(_spread(executor, survey_task, (s for run in runs for s in run[2])))
    surveys = [[next(looks) for _ in sources] for _, _, sources in runs]
    plans = [plan_sweep(seen) for seen in surveys]
    targets = [
        Target(source, seen[j], plan.places_in(j), plan.neighbours_in(j, seen[j].found))
        for (_, _, sources), seen, plan in zip(runs, surveys, plans, strict=True)
        for j, source in enumerate(sources)
    ]
    answers = counted(_spread(executor, measure_task, targets))
    return tuple(
        _assemble(sweep, channel, sources, seen, plan, [next(answers) for _ in seen])
        for (sweep, channel, sources), seen, plan in zip(runs, surveys, plans, strict=True)
    )


def measure_files(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> tuple[FrameRadius, ...]:
    """Measure frames one by one, each on its own stars.

    Returns
    -------
    tuple of FrameRadius
        One for each frame, in order; a colour camera's frame is measured in green.
    """
    sources = _single_sources(facts_list, setup, calibration, executor)
    answers = _spread(executor, single_task, sources)
    return tuple(_single(facts, *answer) for facts, answer in zip(facts_list, answers, strict=True))


def list_stars(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> QTable:
    """Measure all stars of the frames, one frame below the other.

    Returns
    -------
    QTable
        The columns of `measure_frame` behind ``file``; a colour camera's frame is measured in
        green. A frame that cannot be read has no rows.
    """
    sources = _single_sources(facts_list, setup, calibration, executor)
    answers = _spread(executor, partial(single_task, max_stars=None), sources)
    tables = []
    for facts, (_, radii) in zip(facts_list, answers, strict=True):
        table = star_table(radii)
        table.add_column(np.full(len(table), facts.path.name), name="file", index=0)
        tables.append(table)
    return vstack(tables) if tables else QTable()


def _single_sources(
    facts_list: Sequence[FrameFacts],
    setup: Setup,
    calibration: Calibration | None,
    executor: Executor | None,
) -> list[Source]:
    """One task a frame; of a colour camera's frame the green pixels."""
    shared = _for_workers(calibration, executor)
    return [
        Source(facts, "G" if len(channels_of(facts, setup.camera)) > 1 else "", setup, shared)
        for facts in facts_list
    ]


def _single(facts: FrameFacts, seen: Survey, radii: Radii) -> FrameRadius:
    usable = (radii.flags == 0)[:, None]
    combined = combine_stars(radii.own_radius[:, None], _own_noise(radii)[:, None], usable)
    common = _common(radii)
    return _frame_radius(
        facts,
        seen,
        radii,
        radii.flags,
        value=(combined.radius[0], np.hypot(combined.sigma[0], common), int(combined.n_stars[0])),
        matched=True,
    )


def _assemble(
    sweep: Sweep,
    channel: str,
    sources: Sequence[Source],
    surveys: Sequence[Survey],
    plan: Plan,
    answers: Sequence[Radii],
) -> MeasuredSweep:
    """Put the tables of the frames side by side and draw one radius a frame from them."""
    radius = np.stack([a.own_radius for a in answers], 1)
    sigma = np.stack([a.own_sigma for a in answers], 1)
    flags = np.stack([a.flags for a in answers], 1)
    matched = np.array([m is not None for m in plan.motions])
    flags[:, ~matched] |= StarFlag.UNMEASURED
    expected = _expected_light(np.stack([a.flux for a in answers], 1), flags)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = expected / np.stack([a.flux_sigma for a in answers], 1)
        # Noise that happens to brighten a star must not also make it weigh more.
        even = np.stack([_own_noise(a) * a.flux for a in answers], 1) / expected
    flags = np.where(ratio >= _FAINT, flags & ~int(StarFlag.FAINT), flags | StarFlag.FAINT)
    combined = combine_stars(radius, even, flags == 0)
    flags[combined.outlier] |= StarFlag.OUTLIER
    frames = tuple(
        _frame_radius(
            facts,
            surveys[j],
            answers[j],
            flags[:, j],
            value=(
                combined.radius[j],
                np.hypot(combined.sigma[j], _common(answers[j])),
                int(combined.n_stars[j]),
            ),
            matched=bool(matched[j]),
        )
        for j, facts in enumerate(sweep.frames)
    )
    places = sources[plan.reference].grids[0].to_frame(plan.places)
    return MeasuredSweep(
        id=f"{sweep.id}-{channel}" if channel else sweep.id,
        filter=channel or sweep.filter,
        sweep=sweep,
        frames=frames,
        tracks=StarTracks(
            x_px=places[:, 0],
            y_px=places[:, 1],
            radius_px=radius,
            radius_sigma_px=sigma,
            flags=flags,
        ),
    )


def _own_noise(radii: Radii) -> np.ndarray:
    """What does not average away over the stars is not part of a star's own noise."""
    return np.sqrt(np.maximum(radii.own_sigma**2 - radii.common_sigma**2, 0.0))


def _common(radii: Radii) -> float:
    """The frame's share of it, as the clean stars have it."""
    known = radii.common_sigma[np.isfinite(radii.common_sigma) & (radii.flags == 0)]
    return float(np.median(known)) if known.size else 0.0


def _expected_light(flux: np.ndarray, flags: np.ndarray) -> np.ndarray:
    """Light of each star in each frame as the other frames lead one to expect it.

    A star's brightness times the clearness of the frame, both medians of ratios. What shines in
    one frame only (a hot pixel while the sky moves) is expected nowhere.
    """
    light = np.where(flags & int(StarFlag.SATURATED | StarFlag.UNMEASURED) == 0, flux, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        brightness = _median(light, 1)
        for _ in range(3):
            strong = brightness >= _median(brightness[None], 1)[0]
            clearness = _median((light / brightness[:, None])[strong], 0)
            brightness = _median(light / clearness, 1)
    return np.maximum(brightness[:, None] * clearness, 0.0)


def _median(values: np.ndarray, axis: int) -> np.ndarray:
    """Median without NaN; NaN where there is nothing."""
    masked = np.ma.masked_invalid(values)
    return np.asarray(np.ma.median(masked, axis=axis).filled(np.nan), float)


def _frame_radius(
    facts: FrameFacts,
    seen: Survey,
    radii: Radii,
    flags: np.ndarray,
    *,
    value: tuple[float, float, int],
    matched: bool,
) -> FrameRadius:
    radius, sigma, n_stars = value
    reason = seen.reason
    if reason is None and len(seen.found.x) == 0:
        reason = _NOTHING_SEEN
    elif reason is None and not matched:
        reason = _NO_MATCH
    elif reason is None and not np.isfinite(radius):
        reason = _NOTHING_USED
    elongation = radii.elongation[(flags == 0) & np.isfinite(radii.elongation)]
    return FrameRadius(
        facts=facts,
        radius_px=float(radius) if reason is None else float("nan"),
        radius_sigma_px=float(sigma) if reason is None else float("nan"),
        n_stars=n_stars,
        # A star followed from other frames counts as seen, whether or not it stood out here.
        n_found=max(len(seen.found.x), n_stars),
        background_adu=seen.sky.level,
        background_rms_adu=seen.sky.noise,
        elongation=float(np.median(elongation)) if elongation.size else float("nan"),
        set_aside=count_flags(flags),
        reason=reason,
    )


def _for_workers(
    calibration: Calibration | None, executor: Executor | None
) -> Calibration | tuple[tuple[str, str], ...] | None:
    """Master frames as they are, or for workers the files to read them from."""
    if calibration is None or calibration.is_empty:
        return None
    return calibration if executor is None else tuple(sorted(calibration.names.items()))


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
