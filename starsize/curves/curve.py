"""A focus curve: half-flux radius against focuser position for one sweep, as plain arrays."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np

from ..conventions import Approach
from ..optics.star import Apertures, all_light

INNER: Final = 0.6  # 30 % of a star's light over half of it


@dataclass(frozen=True, slots=True, eq=False)
class BoundedRadii:
    """Radii of a share of the light inside stated circles: what pixels tell without extrapolation.

    Attributes
    ----------
    radius_px, sigma_px : (n,) arrays
        NaN where they are not known.
    seen : Apertures
        Circles and pixels of the n frames.
    """

    radius_px: np.ndarray
    sigma_px: np.ndarray
    seen: Apertures

    def __iter__(self) -> Iterator[np.ndarray]:
        """All columns, in order."""
        return iter((self.radius_px, self.sigma_px, *self.seen))

    def part(self, which: np.ndarray) -> "BoundedRadii":
        """Return those of some of the frames."""
        return of_columns(column[which] for column in self)


def of_columns(columns: Iterable[np.ndarray]) -> BoundedRadii:
    """Radii, their sigmas, and the columns of `Apertures`."""
    radius, sigma, *seen = columns
    return BoundedRadii(radius, sigma, Apertures(*seen))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True, repr=False)
class FocusCurve:
    """Radius against position, one entry per measured frame, in order of time.

    Attributes
    ----------
    id, filter : str
    approach : Approach
    position_steps : (n,) array
        Focuser positions, steps.
    radius_px, radius_sigma_px : (n,) arrays
        The frame's half-flux radius and its star noise (1 sigma, seeing not included), pixels.
    n_stars : (n,) int array
        Stars behind each radius.
    temperature_degC, time_mjd : (n,) arrays
        NaN where unknown.
    names : tuple of str
        File names, for messages.
    bounded, inner : BoundedRadii, optional
        What the star is fitted to, where photometry measured it; and the radius of `INNER` of the
        light inside a circle about as large as half of it, which tells defocus from seeing.

    Examples
    --------
    >>> from starsize import focus_curve
    >>> curve = focus_curve([960, 980, 1000, 1020], [2.5, 1.6, 1.2, 1.7], 0.02, filter="R")
    >>> curve.position_steps[curve.radius_px.argmin()]
    np.float64(1000.0)
    """

    id: str
    filter: str
    position_steps: np.ndarray
    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    n_stars: np.ndarray
    temperature_degC: np.ndarray
    time_mjd: np.ndarray
    names: tuple[str, ...]
    approach: Approach = "unknown"
    bounded: BoundedRadii | None = None
    inner: BoundedRadii | None = None

    def __repr__(self) -> str:
        return f"<FocusCurve {self.id} ({self.filter}): {self.radius_px.size} frames>"

    def part(self, which: slice | np.ndarray) -> "FocusCurve":
        """Return some of the frames, by a mask, by number, or a slice."""
        index = np.arange(self.radius_px.size)[which]
        kept: dict[str, Any] = {"names": tuple(self.names[i] for i in index)}
        for name in (field.name for field in fields(self)):
            match getattr(self, name):
                case np.ndarray() as column:
                    kept[name] = column[index]
                case BoundedRadii() as radii:
                    kept[name] = radii.part(index)
        return replace(self, **kept)

    @property
    def usable(self) -> np.ndarray:
        """Frames with a radius and a position: (n,)."""
        radius = self.radius_px
        return np.isfinite(radius) & (radius > 0) & np.isfinite(self.position_steps)

    def to_fit(self) -> BoundedRadii:
        """The radii that the star is fitted to: of all the light where there are no others."""
        plain = BoundedRadii(self.radius_px, self.radius_sigma_px, all_light(self.radius_px.size))
        if self.bounded is None:
            return plain
        known = np.isfinite(self.bounded.radius_px)
        pairs = zip(self.bounded, plain, strict=True)
        return of_columns(np.where(known, *pair) for pair in pairs)

    def inner_to_fit(self) -> BoundedRadii:
        """The inner radii; NaN where there are none."""
        nothing = np.full(self.radius_px.size, np.nan)
        return self.inner or BoundedRadii(nothing, nothing, all_light(nothing.size))


def inner_radii(
    radius30_px: np.ndarray, radius_px: np.ndarray, known: BoundedRadii
) -> BoundedRadii:
    """Radii of 30 % of the light as those of `INNER` of the light inside the half-flux radius.

    Whatever was taken to lie beyond drops out. They are known as well as the bounded ones, and the
    sky's level was taken in the same rings.
    """
    seen = Apertures(radius_px, known.seen.inner_px, known.seen.outer_px, 0 * radius_px)
    return BoundedRadii(radius30_px, radius30_px * known.sigma_px / known.radius_px, seen)


def focus_curve(
    position_steps: np.ndarray,
    radius_px: np.ndarray,
    radius_sigma_px: np.ndarray | float,
    *,
    id: str = "sweep-1",  # noqa: A002 -- the word the person sees in every table
    filter: str = "L",  # noqa: A002 -- the word the person sees in every table
    approach: Approach = "unknown",
    temperature_degC: np.ndarray | float = float("nan"),
    time_mjd: np.ndarray | float = float("nan"),
) -> FocusCurve:
    """Build a curve from bare arrays, for people who bring radii of their own.

    Parameters
    ----------
    position_steps, radius_px : (n,) array_like
        Focuser positions in steps, half-flux radii in pixels, in order of time.
    radius_sigma_px : (n,) array_like or float
        Star noise of each radius, pixels, 1 sigma.
    id, filter : str
        Names for messages and tables.
    approach : Approach
        How the focuser travelled.
    temperature_degC, time_mjd : (n,) array_like or float
        NaN where unknown.

    Returns
    -------
    FocusCurve

    Raises
    ------
    ValueError
        If the arrays differ in length, or a position or radius is not finite.

    Examples
    --------
    >>> curve = focus_curve([960, 980, 1000, 1020], [2.5, 1.6, 1.2, 1.7], 0.02, filter="R")
    >>> curve.filter, curve.radius_px.max()
    ('R', np.float64(2.5))
    """
    position, radius = np.asarray(position_steps, float), np.asarray(radius_px, float)
    if position.ndim != 1 or position.shape != radius.shape:
        shapes = f"{position.shape} and {radius.shape}"
        msg = f"'position_steps' and 'radius_px' must be 1-D and alike, got {shapes}"
        raise ValueError(msg)
    if not (np.isfinite(position).all() and np.isfinite(radius).all()):
        msg = "'position_steps' and 'radius_px' must be finite; leave unmeasured frames out"
        raise ValueError(msg)
    spread = (radius_sigma_px, temperature_degC, time_mjd)
    sigma, temperature, time = (
        np.array(np.broadcast_to(np.asarray(value, float), position.shape)) for value in spread
    )
    return FocusCurve(
        id=id, filter=filter, position_steps=position, radius_px=radius, radius_sigma_px=sigma,
        n_stars=np.ones(position.size, int), temperature_degC=temperature, time_mjd=time,
        names=tuple(f"frame {i + 1}" for i in range(position.size)), approach=approach,
    )  # fmt: skip


def correct_to_mean_temperature(curve: FocusCurve, *, steps_per_degC: float) -> FocusCurve:
    """Move each position to where it would be at the sweep's own mean temperature.

    Unchanged where a temperature is missing: a curve half corrected would be bent.
    """
    warmer = curve.temperature_degC - np.mean(curve.temperature_degC)
    if not np.isfinite(warmer).all():
        return curve
    return replace(curve, position_steps=curve.position_steps - steps_per_degC * warmer)
