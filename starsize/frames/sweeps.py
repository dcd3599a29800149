"""Frames grouped into sweeps: one filter, one run of positions, one approach direction."""

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby
from typing import Final, Literal, NamedTuple

import numpy as np

from ..conventions import Approach
from ..estimate import Finding, Notice, notice
from ..filters import filter_order
from .frame import SINGLE, FrameFacts, InputFile, Sweep
from .walk import natural_key

#: A sweep is over after a pause of this many times the usual interval between its frames ...
_LONG_PAUSE: Final = 10.0
#: ... unless the pause is shorter than this in any case,
_SHORT_DAYS: Final = 5 / 1440
#: or the positions go on where they stopped and the pause is shorter than this (clouds, a call).
_RESUMED_DAYS: Final = 2 / 24
#: After this long the temperature and the sky have changed: always a new sweep.
_NIGHT_DAYS: Final = 4 / 24
#: A pause as long as this holds a day: the camera may have been taken off.
_DAYLIGHT_DAYS: Final = 9 / 24
#: Fewer than this share of a filter's frames do not decide for all.
_FEW: Final = 0.25
#: So many positions of another filter in between are another sweep.
_OTHER_SWEEP: Final = 3
#: A sweep of fewer positions than this cannot show a direction of its own.
_FEW_POSITIONS: Final = 4
#: A width or number, as in "Ha 7nm" and "R (2)": two of them are likely two filters.
_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?(?=\s*nm)|(?<=[\s(_-])\d+(?:\.\d+)?", re.IGNORECASE)


class _Group(NamedTuple):
    """What must be equal within a sweep: filter, camera and the geometry of the picture."""

    filter: str
    camera: str | None
    shape: tuple[int, int]
    binning: int
    bayer: str | None


def find_sweeps(
    files: Iterable[InputFile], *, outward: Literal["increasing", "decreasing"] = "increasing"
) -> tuple[tuple[Sweep, ...], tuple[Notice, ...]]:
    """Group the usable frames into sweeps.

    Frames of one filter (and one camera, size, binning and colour pattern) in order of time form
    a sweep as long as the focuser goes one way. A turn-round that covers positions again, a jump
    back, a pause of ten usual intervals, or a whole sweep of another filter in between begins a
    new one; a pause after which the positions go on where they stopped does not. Repeated
    exposures at one position stay together; a sweep taken in shuffled order is one sweep with
    approach ``mixed``. Every usable frame is in exactly one sweep, be it alone.

    Parameters
    ----------
    files : iterable of InputFile
        From ``list_frames``; those with a reason are left out.
    outward : {"increasing", "decreasing"}
        Whether the count of steps grows or falls when the focuser moves outward.

    Returns
    -------
    sweeps : tuple of Sweep
        In order of time; those without times last.
    notices : tuple of Notice
        ``frame_times_missing``, ``frames_differ``, ``filter_spellings``, ``several_nights``,
        ``mixed_order``.

    Examples
    --------
    >>> from pathlib import Path
    >>> facts = [
    ...     FrameFacts(path=Path(f"{k}.fits"), filter="R", position_steps=900.0 + 20 * k)
    ...     for k in range(9)
    ... ]
    >>> sweeps, notices = find_sweeps(InputFile(one.path, one) for one in facts)
    >>> sweeps
    (<Sweep R-1: 9 frames, unknown>,)
    """
    facts = [file.facts for file in files if file.usable and file.facts is not None]
    facts.sort(key=lambda f: natural_key(f.path))
    groups: dict[_Group, list[FrameFacts]] = defaultdict(list)
    for one in facts:
        groups[_group_of(one)].append(one)
    timed = [f for f in facts if f.mid_time_mjd is not None]
    parts = [part for group in groups.values() for part in _alike(group)]
    # In order of time; frames without one come last.
    cut = sorted(
        ((frames, _is_timed(part)) for part in parts for frames in _cut(part, timed)),
        key=lambda c: (not c[1], c[1] and _times(c[0])[0], natural_key(c[0][0].path)),
    )
    count: Counter[str] = Counter()
    sweeps = []
    ways: tuple[Approach, ...] = ("mixed", "outward", "inward")
    for frames, in_time in cut:
        name = _group_of(frames[0]).filter
        count[name] += 1
        at = _places(_positions(frames))
        way = direction(at) * (1 if outward == "increasing" else -1)
        approach = ways[way] if in_time and len(at) > 1 else "unknown"
        sweeps.append(Sweep(f"{name}-{count[name]}", name, tuple(frames), approach, in_time))
    notices = list(_notices(groups))
    nights = 1 + int(np.sum(np.diff(np.sort(_times(timed))) > _DAYLIGHT_DAYS))
    if nights > 1:
        notices.append(notice("several_nights", nights=nights))
    mixed = [sweep.id for sweep in sweeps if sweep.approach == "mixed"]
    return tuple(sweeps), (*notices, *(notice("mixed_order", sweep=one) for one in mixed))


def set_aside_single(
    files: Sequence[InputFile], sweeps: Sequence[Sweep]
) -> tuple[tuple[InputFile, ...], tuple[Sweep, ...]]:
    """Single exposures are no sweeps: they get a reason, unless all sweeps are single."""
    kept = tuple(sweep for sweep in sweeps if len(sweep.frames) > 1)
    if not kept:
        return tuple(files), tuple(sweeps)
    lone = {sweep.frames[0].path for sweep in sweeps if len(sweep.frames) == 1}
    return tuple(replace(f, reason=SINGLE) if f.path in lone else f for f in files), kept


def _group_of(facts: FrameFacts) -> _Group:
    return _Group(facts.filter or "colour", facts.camera, facts.shape, facts.binning, facts.bayer)


def _positions(frames: Sequence[FrameFacts]) -> list[float]:
    return [f.position_steps or 0.0 for f in frames]


def _times(frames: Sequence[FrameFacts]) -> list[float]:
    return [f.mid_time_mjd or 0.0 for f in frames]


def _alike(frames: list[FrameFacts]) -> list[list[FrameFacts]]:
    """A few frames without a time stand apart: they must not cost the others their order."""
    untimed = [f for f in frames if f.mid_time_mjd is None]
    if not 0 < len(untimed) < _FEW * len(frames):
        return [frames]
    return [[f for f in frames if f.mid_time_mjd is not None], untimed]


def _is_timed(frames: Sequence[FrameFacts]) -> bool:
    """Times put frames in order only if all have one, and if the clock did not stand still."""
    times = [f.mid_time_mjd for f in frames]
    return None not in times and len(set(times)) > len(times) / 2


def _cut(frames: list[FrameFacts], timed: Sequence[FrameFacts]) -> Iterator[list[FrameFacts]]:
    """Cut the frames of one group at pauses, then where the run of positions ends."""
    if _is_timed(frames):
        here = _group_of(frames[0])
        others = [f for f in timed if _group_of(f) != here]
        # The sort is stable: frames of the same second stay in order of file name.
        blocks = _time_blocks(*(sorted(one, key=lambda f: _times([f])) for one in (frames, others)))
    else:
        blocks = (list(block) for _, block in groupby(frames, key=lambda f: f.path.parent))
    for block in blocks:
        positions = _positions(block)
        stays = visits(positions)
        usual = float(np.median([stay.stop - stay.start for stay in stays]))
        first = 0
        cut = runs(_places(positions))
        for run in cut:
            last, stop = stays[run.stop - 1], stays[run.stop - 1].stop
            count = last.stop - last.start
            # A double visit at a turning point is shared.
            if run is not cut[-1] and run.stop - run.start > 1 and count >= 2 * usual:
                stop -= count // 2
            yield block[first:stop]
            first = stop


def _places(positions: Sequence[float]) -> list[float]:
    """Return one position per visit."""
    return [float(np.median(positions[stay])) for stay in visits(positions)]


def _time_blocks(
    frames: list[FrameFacts], others: Sequence[FrameFacts]
) -> Iterator[list[FrameFacts]]:
    """Cut frames in order of time at pauses, and where a sweep of ``others`` lies between."""
    times, other_times = np.array(_times(frames)), _times(others)
    # From one position to the next: where filters change at each, frames come several at a time.
    starts = times[[stay.start for stay in visits(_positions(frames))]]
    usual = float(np.median(np.diff(starts))) if len(starts) > 1 else 0.0
    start = 0
    for i, pause in enumerate(np.diff(times), 1):
        first, last = np.searchsorted(other_times, times[i - 1 : i + 1])
        between = {(_group_of(f), f.position_steps) for f in others[first:last]}
        most = max(Counter(group for group, _ in between).values(), default=0)
        over = pause > max(_LONG_PAUSE * usual, _SHORT_DAYS) or most >= _OTHER_SWEEP
        if over and pause < _RESUMED_DAYS:
            over = not _resumes(_positions(frames[start:i]), _places(_positions(frames[i:])))
        if over or pause > _NIGHT_DAYS:
            yield frames[start:i]
            start = i
    yield frames[start:]


def _resumes(done: Sequence[float], todo: Sequence[float]) -> bool:
    """Tell whether positions go on the same way from about where they stopped."""
    way = direction(_places(done))
    step = way * (todo[0] - done[-1])
    goes_on = len(todo) == 1 or way * (todo[1] - todo[0]) > 0
    return way != 0 and goes_on and -usual_spacing(done) / 2 < step <= 2 * usual_spacing(done)


def _notices(groups: Mapping[_Group, list[FrameFacts]]) -> Iterator[Notice]:
    for name in sorted({g.filter for g in groups}, key=filter_order):
        kinds = [g for g in groups if g.filter == name]
        parts = [_alike(groups[g]) for g in kinds]
        if apart := tuple(f.path.name for part in parts for more in part[1:] for f in more):
            yield Notice("frame_times_missing", Finding("frames_apart", name=name, apart=apart))
        untimed = [f for part in parts if not _is_timed(part[0]) for f in part[0]]
        if len(untimed) > 1:
            missing = tuple(f.path.name for f in untimed if f.mid_time_mjd is None)
            by_name = Finding("order_by_name", name=name, frames=len(untimed), missing=missing)
            yield Notice("frame_times_missing", by_name)
        if len(kinds) > 1:
            looks = {f"{g.camera or 'camera'} {g.shape[1]} x {g.shape[0]}" for g in kinds}
            yield notice("frames_differ", name=name, looks=tuple(sorted(looks)))
        written = {str(f.filter_written) for g in kinds for f in groups[g]}
        if len({w for s in written for w in _NUMBER.findall(s)}) > 1:
            yield notice("filter_spellings", name=name, written=tuple(sorted(written)))


def visits(positions: Sequence[float]) -> list[slice]:
    """Group successive frames (positions in order of time) that were taken at one position.

    Positions read back from the focuser scatter by a few steps about the one commanded; what
    differs by less than a twentieth of the usual spacing is one position.

    >>> visits([100, 100, 200, 201, 300])
    [slice(0, 2, None), slice(2, 4, None), slice(4, 5, None)]
    """
    tolerance = 0.05 * usual_spacing(positions)
    found: list[slice] = []
    start = 0
    for i in range(1, len(positions) + 1):
        if i == len(positions) or abs(positions[i] - positions[start]) > tolerance:
            found.append(slice(start, i))
            start = i
    return found


def usual_spacing(positions: Sequence[float]) -> float:
    """The usual distance between neighbouring positions, in steps; 0 if there is one only."""
    gaps = np.sort(np.diff(np.unique(positions)))[::-1]
    if gaps.size == 0:
        return 0.0
    scale = gaps[min(1, gaps.size - 1)]
    return float(np.median(gaps[gaps >= 0.25 * scale]))


def runs(positions: Sequence[float]) -> list[slice]:
    """Cut a series of positions, one per visit, into as few one-way runs as possible.

    Where several cuts are equally few, the one at the largest jump is taken (a sweep that starts
    anew jumps back), then the latest (the frame at a turning point belongs to the run that led
    there). A series in no order at all, such as a shuffled sweep, stays whole.

    >>> runs([1, 2, 3, 4, 3, 2, 1])  # out and back
    [slice(0, 4, None), slice(4, 7, None)]
    >>> runs([9, 1, 2, 3, 4])  # a lone frame before the sweep
    [slice(0, 1, None), slice(1, 5, None)]
    """
    cut = _fewest_runs(positions)
    if _is_shuffled(positions, cut):
        return [slice(0, len(positions))]
    return _rejoined(positions, cut)


def direction(positions: Sequence[float]) -> int:
    """+1 or -1 for a way up or down but for a move in six; 0 if mixed, or at one position."""
    moves = np.sign(np.diff(positions))
    moves = moves[moves != 0]
    if moves.size == 0:
        return 0
    main = 1 if (moves > 0).sum() >= (moves < 0).sum() else -1
    return main if (moves != main).sum() <= moves.size / 6 else 0


def _fewest_runs(positions: Sequence[float]) -> list[slice]:
    """Shortest path over all ways to cut; cost is (number of runs, distance travelled in runs)."""
    n, moves = len(positions), np.diff(positions)
    turned = moves[:-1] * moves[1:] <= 0
    best: list[tuple[int, float]] = [(0, 0.0)] + [(n + 1, 0.0)] * n
    origin = [0] * (n + 1)
    for start in range(n):
        for stop in range(start + 1, n + 1):
            if stop - start > 2 and turned[stop - 3]:
                break
            travelled = abs(positions[stop - 1] - positions[start])
            cost = (best[start][0] + 1, best[start][1] + travelled)
            if cost <= best[stop]:
                best[stop], origin[stop] = cost, start
    cut: list[slice] = []
    stop = n
    while stop > 0:
        cut.append(slice(origin[stop], stop))
        stop = origin[stop]
    return cut[::-1]


def _is_shuffled(positions: Sequence[float], cut: Sequence[slice]) -> bool:
    """A shuffled sweep has short one-way runs, and does not come back to its positions."""
    n = len(positions)
    if len(cut) < 3 or n < _FEW_POSITIONS:
        return False
    longest = max(run.stop - run.start for run in cut)
    all_new = len(set(positions)) > 0.75 * n
    return (all_new and longest < 0.6 * n) or n / len(cut) < 3


def _rejoined(positions: Sequence[float], cut: Sequence[slice]) -> list[slice]:
    """Put together runs that go on the same way, such as around a frame that was taken again."""
    joined = list(cut[:1])
    for run in cut[1:]:
        if _carries_on(positions[joined[-1]], positions[run]):
            joined[-1] = slice(joined[-1].start, run.stop)
        else:
            joined.append(run)
    return joined


def _carries_on(first: Sequence[float], second: Sequence[float]) -> bool:
    """Tell whether the second run takes up the first near its end and leads well beyond it."""
    if min(len(first), len(second)) < 2 or direction(first) != direction(second):
        return False
    way = direction(first)
    again = sum(way * p <= way * max(first, key=lambda p: way * p) for p in second)
    retaken = sum(way * p >= way * min(second, key=lambda p: way * p) for p in first)
    allowed = max(1, min(len(first), len(second)) // 4)
    return again <= allowed and retaken <= allowed
