"""What the tracking layer hands on: the radius of each frame, and of each star in each frame."""

from dataclasses import dataclass, field

import numpy as np

from ..frames.frame import FrameFacts, Sweep
from ..notebook import html_table, plus_minus
from ..photometry import ImageRadius


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRadius(ImageRadius):
    """One frame (or one colour channel of it), measured; ``reason`` in words.

    Radii of a colour channel are counted in pixels of the full-resolution frame.

    Examples
    --------
    >>> from starsize import load_result
    >>> sweep = load_result("my-results").measured[0]  # doctest: +SKIP
    >>> [round(frame.radius_px, 2) for frame in sweep.frames]  # doctest: +SKIP
    [5.48, 3.91, 2.43, 1.44, 2.46, 3.95, 5.51]
    """

    facts: FrameFacts
    light_adu: float = float("nan")
    """Median light of stars at fixed places in the order of brightness: falls with cloud."""
    channel: str = ""
    """R, G or B of a colour camera; empty for a mono one."""
    slopes: tuple[float, ...] = ()
    """Of ln radius over the frame (see ``field_slopes``); empty where stars are too few."""
    slopes_sigma: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarTracks:
    """The same ``n`` stars through the ``k`` frames of a sweep."""

    x_px: np.ndarray
    y_px: np.ndarray
    """(n,) place in the sweep's reference frame (the one that shows most), pixels."""
    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    """(n, k) each star's own half-flux radius and its standard uncertainty, pixels; NaN where it
    was not measured."""
    flags: np.ndarray
    """(n, k) ``StarFlag`` bits; UNMEASURED where a star was not recognised."""
    seen_px: np.ndarray = field(default_factory=lambda: np.zeros((0, 0, 2)))
    """(n, k, 2) where (x, y) each star stands, pixels; NaN where it was not recognised."""
    identity: np.ndarray = field(default_factory=lambda: np.zeros(0, int))
    """(n,) the same number is the same star in every sweep of the night; -1 where not known."""
    pointing: int | None = None
    """Sweeps of one night with the same number show the same part of the sky; None where there
    are too few stars to tell."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MeasuredSweep:
    """A sweep (for a colour camera: one channel of it) with the radius of each of its frames.

    ``filter`` is the sweep's filter or the channel (R, G, B); ``id`` is the sweep's id, with the
    channel appended for a colour camera (``colour-1-R``). ``frames`` follows ``sweep.frames``
    one to one.

    Examples
    --------
    >>> from starsize import curve_of, load_result
    >>> sweep = load_result("my-results").measured[0]  # doctest: +SKIP
    >>> sweep  # doctest: +SKIP
    <MeasuredSweep L-1 (L): 11 of 11 frames measured>
    >>> curve_of(sweep).position_steps.min()  # doctest: +SKIP
    np.float64(9942.0)
    """

    id: str
    filter: str
    sweep: Sweep
    frames: tuple[FrameRadius, ...]
    tracks: StarTracks

    def __repr__(self) -> str:
        seen = sum(frame.reason is None for frame in self.frames)
        count = f"{seen} of {len(self.frames)} frames measured"
        return f"<MeasuredSweep {self.id} ({self.filter}): {count}>"

    def _repr_html_(self) -> str:
        head = ("file", "position (steps)", "HFR (px)", "stars", "not measured because")
        rows = (
            (
                frame.facts.path.name,
                plus_minus(frame.facts.position_steps),
                plus_minus(frame.radius_px, frame.radius_sigma_px),
                frame.n_stars,
                frame.reason or "",
            )
            for frame in self.frames
        )
        return html_table(f"Sweep {self.id}", head, rows)
