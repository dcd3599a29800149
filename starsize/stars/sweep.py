"""The same stars through the frames of a sweep."""

from collections.abc import Sequence
from concurrent.futures import Executor

import numpy as np

from ..frames.calibration import Calibration
from ..frames.frame import Sweep
from ..setup import Setup
from .colour import channels_of
from .combine import combine_stars
from .flags import StarFlag
from .frame_radius import frame_radius, own_noise
from .frame_tasks import Source, Survey, Target, measure_task, survey_task
from .measured import MeasuredSweep, StarTracks
from .plan import Plan, plan_sweep
from .radius import Radii
from .spread import Counter, Progress, for_workers, spread

#: A star whose light exceeds its own uncertainty by less than this tells nothing of its radius.
_FAINT = 6.0


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
    shared = for_workers(calibration, executor)
    runs = [
        (sweep, channel, [Source(facts, channel, setup, shared) for facts in sweep.frames])
        for sweep in sweeps
        for channel in channels_of(sweep.frames[0], setup.camera)
    ]
    counted = Counter(progress, 2 * sum(len(sources) for _, _, sources in runs))
    looks = counted(spread(executor, survey_task, (s for run in runs for s in run[2])))
    surveys = [[next(looks) for _ in sources] for _, _, sources in runs]
    plans = [plan_sweep(seen) for seen in surveys]
    targets = [
        Target(source, seen[j], plan.places_in(j), plan.neighbours_in(j, seen[j].found))
        for (_, _, sources), seen, plan in zip(runs, surveys, plans, strict=True)
        for j, source in enumerate(sources)
    ]
    answers = counted(spread(executor, measure_task, targets))
    return tuple(
        _assemble(sweep, channel, sources, seen, plan, [next(answers) for _ in seen])
        for (sweep, channel, sources), seen, plan in zip(runs, surveys, plans, strict=True)
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
        even = np.stack([own_noise(a) * a.flux for a in answers], 1) / expected
    flags = np.where(ratio >= _FAINT, flags & ~int(StarFlag.FAINT), flags | StarFlag.FAINT)
    combined = combine_stars(radius, even, flags == 0)
    flags[combined.outlier] |= StarFlag.OUTLIER
    frames = tuple(
        frame_radius(
            source,
            surveys[j],
            answers[j],
            flags=flags[:, j],
            value=(combined.radius[j], combined.sigma[j], int(combined.n_stars[j])),
            matched=bool(matched[j]),
        )
        for j, source in enumerate(sources)
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
