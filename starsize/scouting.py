"""What test frames, or an earlier result, tell before a plan is made."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from pathlib import Path

from .errors import InputError
from .filters import Band
from .frames import complete_setup, list_frames
from .pipeline import load_result, nothing_to_measure
from .plan import Scouted, frames_told, result_told
from .reports.stored_run import is_result
from .setup import Setup
from .tracking import measure_files


def scout(
    paths: Sequence[str | Path],
    *,
    setup: Setup | None = None,
    executor: Executor | None = None,
) -> tuple[Setup, Scouted]:
    """Look at test frames, or at an earlier result, before a plan is made.

    Parameters
    ----------
    paths : sequence of str or Path
        Frames and folders of them, of which the sharpest is taken to be in focus; or one result
        folder.
    setup : Setup, optional
        What is known of the equipment; headers fill in the rest.
    executor : concurrent.futures.Executor, optional
        Where frames are measured.

    Returns
    -------
    setup : Setup
    told : Scouted

    Raises
    ------
    InputError
        If a path cannot be used, results are mixed with other paths, or nothing can be measured.

    Examples
    --------
    >>> setup, told = scout(["test_frame.fits"])  # doctest: +SKIP
    """
    every, given = [Path(path) for path in paths], setup or Setup()
    if any(is_result(path) for path in every):
        if len(every) > 1:
            msg = "plan from one result folder, or from test frames; not from both"
            raise InputError(msg)
        result = load_result(every[0])
        known = result.setup if setup is None or setup == Setup() else setup
        bands = _bands(known, (sweep.filter for sweep in result.measured))
        return known, result_told(result.curves, result.comparison, result.measured, bands=bands)
    files = list_frames(every, setup=given)
    known, _ = complete_setup(given, files)
    facts = [f.facts for f in files if f.usable and f.facts is not None]
    if not facts:
        raise InputError(nothing_to_measure(files))
    frames = measure_files(facts, setup=known, executor=executor)
    return known, frames_told(frames, _bands(known, (f.filter or "" for f in facts)))


def _bands(setup: Setup, names: Iterable[str]) -> dict[str, Band]:
    found = {name: setup.band(name) for name in names}
    return {name: band for name, band in found.items() if band is not None}
