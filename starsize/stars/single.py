"""Frames measured one by one, each on its own stars."""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from functools import partial

import numpy as np
from astropy.table import QTable, vstack

from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts
from ..setup import Setup
from .colour import channels_of
from .combine import combine_stars
from .frame_radius import frame_radius, own_noise
from .frame_tasks import Single, Source, single_task
from .measure import star_table
from .measured import FrameRadius
from .spread import for_workers, spread


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
        One for each frame, in order; three (R, G, B) for a frame of a colour camera.
    """
    answers = _answers(facts_list, setup, calibration, executor, all_stars=False)
    return tuple(_line(one) for one in answers)


def measure_files_and_stars(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[FrameRadius, ...], QTable]:
    """Measure frames one by one, and all of their stars, not only those that tell most.

    Returns
    -------
    frames : tuple of FrameRadius
        What `measure_files` returns for these frames, to the last digit.
    stars : QTable
        One row a star, frames and channels one below the other: ``file``, the columns of
        `measure_frame`, and ``channel`` (empty for a mono camera). A frame that cannot be read has
        no rows.
    """
    answers = list(_answers(facts_list, setup, calibration, executor, all_stars=True))
    tables = [_rows(one) for one in answers]
    return tuple(_line(one) for one in answers), vstack(tables) if tables else QTable()


def _answers(
    facts_list: Sequence[FrameFacts],
    setup: Setup,
    calibration: Calibration | None,
    executor: Executor | None,
    *,
    all_stars: bool,
) -> Iterator[Single]:
    """One answer for each channel of each frame; a task holds all channels of a frame."""
    shared = for_workers(calibration, executor)
    tasks = [
        tuple(Source(facts, c, setup, shared) for c in channels_of(facts, setup.camera))
        for facts in facts_list
    ]
    for frame in spread(executor, partial(single_task, all_stars=all_stars), tasks):
        yield from frame


def _line(one: Single) -> FrameRadius:
    radii = one.best
    usable = (radii.flags == 0)[:, None]
    combined = combine_stars(radii.own_radius[:, None], own_noise(radii)[:, None], usable)
    value = combined.radius[0], combined.sigma[0], int(combined.n_stars[0])
    return frame_radius(one.source, one.seen, radii, flags=radii.flags, value=value)


def _rows(one: Single) -> QTable:
    table = vstack([star_table(one.best), star_table(one.others)])
    table.add_column(np.full(len(table), one.source.facts.path.name), name="file", index=0)
    table.add_column(np.full(len(table), one.source.channel), name="channel")
    return table
