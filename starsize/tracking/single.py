"""Frames measured one by one, each on its own stars."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np
from astropy.table import QTable, vstack

from ..cache import Cache
from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts
from ..photometry import star_table
from ..setup import Setup
from .colour import channels_of
from .measured import FrameRadius
from .remembered import Progress, look_at
from .tasks import Look, Task


def measure_files(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> tuple[FrameRadius, ...]:
    """Measure frames one by one, each on its own stars; those in the cache are not measured again.

    Returns
    -------
    tuple of FrameRadius
        One for each frame, in order; three (R, G, B) for a frame of a colour camera.
    """
    tasks = _tasks(facts_list, setup, calibration)
    looks = _one_by_one(look_at(tasks, executor, cache, progress))
    return tuple(look.frame for look in looks)


def measure_files_and_stars(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[FrameRadius, ...], QTable]:
    """Measure frames one by one, and hand on their stars too.

    Returns
    -------
    frames : tuple of FrameRadius
        What `measure_files` returns for these frames, to the last digit.
    stars : QTable
        One row a star, frames and channels one below the other: ``file``, the columns of
        `measure_frame`, and ``channel`` (empty for a mono camera). A frame that cannot be read has
        no rows.
    """
    tasks = _tasks(facts_list, setup, calibration, all_stars=True)
    looks = _one_by_one(look_at(tasks, executor))
    tables = [_rows(look) for look in looks]
    return tuple(look.frame for look in looks), vstack(tables) if tables else QTable()


def _tasks(
    facts_list: Sequence[FrameFacts],
    setup: Setup,
    calibration: Calibration | None,
    *,
    all_stars: bool = False,
) -> list[Task]:
    camera = setup.camera
    return [
        Task(facts, channels_of(facts, camera), camera, calibration, all_stars=all_stars)
        for facts in facts_list
    ]


def _one_by_one(frames: Sequence[tuple[Look, ...]]) -> list[Look]:
    """One look for each channel of each frame; one in all of a frame that cannot be read."""
    found: list[Look] = []
    for looks in frames:
        if looks[0].read:
            found += looks
        else:
            found.append(replace(looks[0], frame=replace(looks[0].frame, channel="")))
    return found


def _rows(look: Look) -> QTable:
    table = star_table(look.stars)
    table.add_column(np.full(len(table), look.frame.facts.path.name), name="file", index=0)
    table.add_column(np.full(len(table), look.frame.channel), name="channel")
    return table
