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
from .measured import MeasuredSweep, NightStars, StarTracks
from .night import SweepStars, join_sweeps
from .plan import Plan, plan_sweep
from .radius import Radii
from .spread import Counter, Progress, for_workers, spread

#: A star whose light exceeds its own uncertainty by less than this tells nothing of its radius.
_FAINT = 6.0

#: A sweep, the channel of it to measure, and its frames.
Run = tuple[Sweep, str, list[Source]]


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
    places, whether they can be seen there or not. Stars are recognised from sweep to sweep as
    well (``tracks.night``); what stays on its pixel meanwhile is no star and is not followed. A
    sweep that shows other stars than the rest goes on alone. Memory does not grow with the number
    of frames.

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
    runs: list[Run] = [
        (sweep, channel, [Source(facts, channel, setup, shared) for facts in sweep.frames])
        for sweep in sweeps
        for channel in channels_of(sweep.frames[0], setup.camera)
    ]
    counted = Counter(progress, 2 * sum(len(sources) for _, _, sources in runs))
    looks = counted(spread(executor, survey_task, (s for run in runs for s in run[2])))
    surveys = [[next(looks) for _ in sources] for _, _, sources in runs]
    plans, nights = _join([plan_sweep(seen) for seen in surveys], runs, surveys)
    targets = [
        Target(source, seen[j], plan.places_in(j), plan.neighbours_in(j, seen[j].found))
        for (_, _, sources), seen, plan in zip(runs, surveys, plans, strict=True)
        for j, source in enumerate(sources)
    ]
    answers = counted(spread(executor, measure_task, targets))
    return tuple(
        _assemble(run, seen, plan, night, [next(answers) for _ in seen])
        for run, seen, plan, night in zip(runs, surveys, plans, nights, strict=True)
    )


def _join(
    plans: Sequence[Plan], runs: Sequence[Run], surveys: Sequence[Sequence[Survey]]
) -> tuple[list[Plan], list[NightStars]]:
    """Recognise the stars of each sweep in the others; follow none that is stuck on its pixel."""
    seen = []
    for plan, (_, _, sources), looks in zip(plans, runs, surveys, strict=True):
        grid = sources[plan.reference].grids[0]
        places = grid.to_frame(plan.around.places)
        radius = looks[plan.reference].found.radius_px * grid.pitch
        seen.append(SweepStars(sources[plan.reference].facts, places, radius))
    nights = join_sweeps(seen)
    kept = [plan.without(night.stuck) for plan, night in zip(plans, nights, strict=True)]
    return kept, [night.part(plan.stars) for plan, night in zip(kept, nights, strict=True)]


def _assemble(
    run: Run,
    surveys: Sequence[Survey],
    plan: Plan,
    night: NightStars,
    answers: Sequence[Radii],
) -> MeasuredSweep:
    """Put the tables of the frames side by side and draw one radius a frame from them."""
    sweep, channel, sources = run
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
            night=night,
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
