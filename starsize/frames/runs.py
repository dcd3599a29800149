"""Cut an ordered list of focuser positions where one sweep ends and the next begins.

Pure functions of numbers: no frames, no files.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

#: A sweep of fewer positions than this cannot show a direction of its own.
_FEW_POSITIONS: Final = 4


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
    """The usual distance between neighbouring positions, in steps; 0 if there is one only.

    The second largest gap sets the scale, so that neither read-back scatter nor one frame far off
    spoils it.
    """
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
    """Return +1 or -1 for a way up or down, 0 if mixed or if there is one position only.

    One move in six against the rest, such as a frame taken again, does not change the direction.
    """
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
