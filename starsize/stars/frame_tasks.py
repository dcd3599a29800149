"""What is done to one frame, in this process or in a worker: survey it, measure it.

Tasks are plain data that can be sent to another process; so are the answers, which hold tables
of stars and never pixels.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np

from ..errors import FrameReadError
from ..frames.calibration import Calibration, apply_calibration, load_calibration
from ..frames.frame import Frame, FrameFacts
from ..frames.pixels import read_pixels
from ..setup import Setup
from .background import Sky
from .colour import Grid, grids_of
from .defects import HotPixels, mend
from .measure import data_ceiling, flag_frame, gain_from_sky
from .neighbours import Neighbours
from .radius import Radii, measure_at, no_radii
from .survey import Found, survey
from .teachers import TEACHERS

#: Stars followed through a sweep at most: more would not make the radius of a frame better known.
MAX_STARS = 320


@dataclass(frozen=True, slots=True)
class Source:
    """One channel of one frame, and how to read it."""

    facts: FrameFacts
    channel: str
    setup: Setup
    calibration: Calibration | tuple[tuple[str, str], ...] | None
    """The master frames, or the files to read them from: those travel lightly."""

    @property
    def grids(self) -> tuple[Grid, ...]:
        """Where the channel's pixels lie."""
        return grids_of(self.channel, self.facts, self.setup.camera)

    @property
    def gain(self) -> float | None:
        """Camera gain in electrons per ADU, where it is known."""
        return self.setup.camera.gain_e_per_adu or self.facts.gain_e_per_adu


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """What a channel of a frame shows by itself; places in pixels of the first of its grids."""

    found: Found
    sky: Sky
    hot: HotPixels
    ceiling: float
    reason: str | None = None


def survey_task(source: Source) -> Survey:
    """Look over one channel of one frame."""
    try:
        whole = _load(source)
    except FrameReadError as error:
        return not_surveyed(str(error))
    return _survey_image(whole, source)


@dataclass(frozen=True, slots=True, eq=False)
class Single:
    """One channel of a frame measured by itself.

    Attributes
    ----------
    source : Source
    seen : Survey
    best : Radii
        The stars that its radius is drawn from.
    others : Radii
        The rest, where they were asked for.
    """

    source: Source
    seen: Survey
    best: Radii
    others: Radii


def single_task(sources: Sequence[Source], *, all_stars: bool = False) -> list[Single]:
    """Survey and measure the channels of one frame by itself; one answer if it cannot be read."""
    try:
        whole = _load(sources[0])
    except FrameReadError as error:
        none = no_radii(0)
        return [Single(replace(sources[0], channel=""), not_surveyed(str(error)), none, none)]
    return [_measure_single(whole, source, all_stars) for source in sources]


def _measure_single(whole: np.ndarray, source: Source, all_stars: bool) -> Single:
    seen = _survey_image(whole, source)
    places = np.stack([seen.found.x, seen.found.y], 1)
    around = Neighbours(places, seen.found.peak)
    best = _measure_channel(whole, Target(source, seen, places[:MAX_STARS], around))
    others = no_radii(0)
    if all_stars and len(places) > MAX_STARS:
        # The brightest are there again to teach the faint ones how the light of a star grows.
        some = np.concatenate([places[:TEACHERS], places[MAX_STARS:]])
        taught = _measure_channel(whole, Target(source, seen, some, around))
        others = _without_first(taught, TEACHERS)
    return Single(source, seen, best, others)


def _without_first(radii: Radii, n: int) -> Radii:
    return Radii(**{f.name: getattr(radii, f.name)[n:] for f in fields(Radii)})


def _survey_image(whole: np.ndarray, source: Source) -> Survey:
    sky, found, hot = survey(source.grids[0].pick(whole))
    return Survey(found, sky, hot, _ceiling(source, whole))


def not_surveyed(reason: str) -> Survey:
    """A frame that could not be looked at."""
    none, nan = np.zeros(0), float("nan")
    sky = Sky(np.full((1, 1), nan), 1.0, nan)
    hot = HotPixels(np.zeros(0, int), np.zeros(0, int), none)
    return Survey(Found(none, none, none, 4.0, 2.0), sky, hot, np.inf, reason)


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """Which places of a frame to measure.

    Attributes
    ----------
    source : Source
    seen : Survey
    places : (n, 2) array
        On the channel's first grid.
    neighbours : Neighbours
    """

    source: Source
    seen: Survey
    places: np.ndarray
    neighbours: Neighbours


def measure_task(target: Target) -> Radii:
    """Measure known places of one channel of one frame, detected there or not."""
    source, seen = target.source, target.seen
    if seen.reason is not None:
        return no_radii(len(target.places))
    try:
        whole = _load(source)
    except FrameReadError:
        # It could be read a moment ago; the frame then is listed as not measured.
        return no_radii(len(target.places))
    return _measure_channel(whole, target)


def _measure_channel(whole: np.ndarray, target: Target) -> Radii:
    """Measure places of a channel on the pixels of each of its grids."""
    source, seen = target.source, target.seen
    first = source.grids[0]
    answers = []
    for grid in source.grids:
        image = grid.pick(whole)
        if grid == first:
            mend(image, seen.hot)

        def here(places: np.ndarray, grid: Grid = grid) -> np.ndarray:
            return grid.from_frame(first.to_frame(places))

        radii = measure_at(
            image,
            here(target.places),
            guess_px=seen.found.radius_px,
            sky=seen.sky.at(target.places[:, 0], target.places[:, 1]),
            noise=seen.sky.noise,
            gain=source.gain or gain_from_sky(seen.sky),
            ceiling=seen.ceiling,
            neighbours=replace(target.neighbours, places=here(target.neighbours.places)),
            held_variance=grid.held_variance,
        )
        answers.append(_full_scale(flag_frame(radii), grid))
    return answers[0] if len(answers) == 1 else _mean_of(*answers)


def _full_scale(radii: Radii, grid: Grid) -> Radii:
    """Places and radii in pixels of the full-resolution frame."""
    x, y = grid.to_frame(np.stack([radii.x, radii.y], 1)).T
    scaled = {
        name: getattr(radii, name) * grid.pitch
        for name in ("radius", "sigma", "own_radius", "own_sigma", "common_sigma", "mean_radius")
    }
    return replace(radii, x=x, y=y, **scaled)


def _mean_of(a: Radii, b: Radii) -> Radii:
    """Mean of two measurements of the same stars on different pixels."""

    def mean(name: str) -> np.ndarray:
        return 0.5 * (getattr(a, name) + getattr(b, name))

    def error(name: str) -> np.ndarray:
        return 0.5 * np.hypot(getattr(a, name), getattr(b, name))

    places = ("x", "y", "background", "elongation", "flux")
    means = (*places, "radius", "own_radius", "common_sigma", "mean_radius")
    errors = ("sigma", "own_sigma", "flux_sigma")
    return Radii(
        **{name: mean(name) for name in means},
        **{name: error(name) for name in errors},
        flags=a.flags | b.flags,
    )


def _load(source: Source) -> np.ndarray:
    """The whole frame, calibrated if asked for; NaN where there is no value."""
    calibration = _calibration(source.calibration)
    if calibration is None:
        image, mask = read_pixels(source.facts, dtype=None)
    else:
        image, mask = read_pixels(source.facts)
        frame = apply_calibration(
            Frame(image, source.facts, mask),
            calibration,
            saturation_adu=source.setup.camera.saturation_adu,
        )
        image, mask = frame.image, frame.mask
    if mask is not None:
        image = np.where(mask, np.float32(np.nan), image.astype(np.float32))
    return image


def _calibration(
    calibration: Calibration | tuple[tuple[str, str], ...] | None,
) -> Calibration | None:
    return _read_once(calibration) if isinstance(calibration, tuple) else calibration


@lru_cache(maxsize=1)
def _read_once(names: tuple[tuple[str, str], ...]) -> Calibration:
    """A worker reads the master frames once and keeps them."""
    return load_calibration(**dict(names))


def _ceiling(source: Source, image: np.ndarray) -> float:
    stated = source.setup.camera.saturation_adu or source.facts.saturation_adu
    return stated or data_ceiling(image)
