"""The size of a star: the radius that holds a share of its light, and its slopes.

The light inside a radius R is 2 pi R integral of OTF(f) J1(2 pi f R) df.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import j0, j1

from .star import MIDDLE_UM, Apertures, Stars, StarState

MOST_STEPS, CLOSE = 12, 1e-3
"""Halley's steps at most; one so small, relative, was the last: errors fall with its cube."""


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """Radii and their slopes by each quantity of `StarState`, pixels: (n,), colour (3, n).

    ``by_seen`` is the slope by the logarithm of all lengths of `Apertures` together.
    """

    radius: np.ndarray
    by_blur: np.ndarray
    by_log_seeing: np.ndarray
    by_colour: np.ndarray
    by_spherical: np.ndarray
    by_spread: np.ndarray
    by_air: np.ndarray
    by_spectrum: np.ndarray
    by_tint: np.ndarray
    by_seen: np.ndarray


def star_sizes(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
) -> Sizes:
    """Radius that holds a share of the light of each frame's star, and its slopes.

    ``start_px`` is about where the radii lie.

    U(r) = integral of exp(2 pi i (D q + S (q^2 - q))) J0(pi r sqrt(q)) dq is what the pupil makes
    of one colour (r in lambda N); its transfer function comes from `pupil_table`. D = blur /
    (4 lambda N) for blur and N in pixels; S goes as 1 / lambda; the seeing passes
    exp(-3.44 (f FWHM / 0.976)^(5/3)), FWHM as lambda^-0.2 (Fried 1966, long exposure -- from
    memory); pixels that add the variance v pass exp(-2 pi^2 v f^2). With F(r) the light inside r,
    the radius R solves

        F(R) - R^2 m = fraction (F(a) - a^2 m),  m = (F(c) - F(b)) / (c^2 - b^2),

    a, b and c the circle and the ring of `Apertures`; m = 0 where there is no ring, and F(a) = 1
    where all light counts.
    """
    light = _light(stars, state)
    whole = _whole(stars.seen, light)
    start_px = _about(state) if start_px is None else start_px
    radius = _radius(light, whole, fraction=fraction, start_px=start_px)
    return _slopes(stars, state, light, whole, fraction=fraction, radius=radius)


def star_radii(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
) -> np.ndarray:
    """The radii of `star_sizes` without their slopes: (n,) array."""
    light = _light(stars, state, slopes=False)
    start = _about(state) if start_px is None else start_px
    return _radius(light, _whole(stars.seen, light), fraction=fraction, start_px=start)


def _about(state: StarState) -> np.ndarray:
    sharp = 0.53 * MIDDLE_UM * state.diffraction_px_per_um
    return np.sqrt(sharp**2 + (0.57 * state.seeing_px) ** 2 + 0.5 * state.blur_px**2)


class _Light(NamedTuple):
    """What each colour (row) or star passes at each common frequency (column)."""

    turn: np.ndarray
    """Frequencies, radians per pixel: (k,)."""
    log_detail: np.ndarray
    turbulence: np.ndarray
    passed: np.ndarray
    """Of the seeing and the pixels, times share of the colour and weight of the frequency: rows."""
    pupil: np.ndarray
    star: np.ndarray
    """Their product, summed over the colours: (n, k)."""
    slopes: np.ndarray
    """Of the pupil by spherical aberration, blur, colour (3) and spread, at the table's nodes."""
    share: np.ndarray


def _light(stars: Stars, state: StarState, *, slopes: bool = True) -> _Light:
    owner = stars.owner
    tint = np.broadcast_to(state.tint, state.blur_px.shape)[owner]
    share = stars.share * np.exp(tint * stars.place + state.spectrum @ stars.hue)
    share = share / stars.sum(share)[owner]
    scale = stars.wavelength_um * state.diffraction_px_per_um
    blur = state.blur_px[owner][:, None] - np.tensordot(state.colour_px, stars.terms, 1)
    moved = np.array([np.ones(blur.shape), *-stars.terms, stars.side]) if slopes else np.zeros(0)
    defocus = (blur + state.spread_px * stars.side) / (4 * scale[:, None])
    read = stars.table.reaching(defocus).read(
        defocus,
        state.spherical * MIDDLE_UM / stars.colours_um,
        moved,
        which=stars.colour,
    )
    cycles = stars.detail / (MIDDLE_UM * state.diffraction_px_per_um)
    turn = 2 * np.pi * cycles
    width = state.seeing_px[owner] * (stars.wavelength_um / MIDDLE_UM) ** -0.2
    log_detail = np.log(cycles) + np.log(width / 0.976)[:, None]
    turbulence = 3.44 * np.exp(state.air * log_detail)
    blurred = np.exp(-turbulence - 0.5 * (stars.seen.pixel_px2[:, None] * turn**2)[owner])
    weight = stars.weight / (MIDDLE_UM * state.diffraction_px_per_um)
    passed = blurred * (2 * np.pi * share[:, None] * weight)
    pupil = stars.carried(read[0])
    star = stars.sum(passed * pupil)
    return _Light(turn, log_detail, turbulence, passed, pupil, star, read[1:], share)


def _disc(turn: np.ndarray, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Kernels (n, k) of the light inside radii (n,) over pi, and their slopes by ln radius."""
    phase = turn * radius[:, None]
    return radius[:, None] * j1(phase), radius[:, None] * phase * j0(phase)


class _Whole(NamedTuple):
    """What counts as all of a star's light, and the level of its sky.

    Kernels (n, k) of the light inside ``Apertures.total_px`` and of the ring's mean over pi, and
    the slopes of both by the logarithm of their radii; ``inside`` and ``level`` are their sums.
    """

    circle: np.ndarray
    ring: np.ndarray
    grown: np.ndarray
    ring_grown: np.ndarray
    square: np.ndarray
    inside: np.ndarray
    level: np.ndarray


def _whole(seen: Apertures, light: _Light) -> _Whole:
    counted = np.isfinite(seen.total_px)
    if not counted.any():
        none = np.zeros((counted.size, 1))
        return _Whole(none, none, none, none, none[:, 0], np.ones(counted.size), none[:, 0])
    a, b, c = map(np.nan_to_num, (seen.total_px, seen.inner_px, seen.outer_px))
    (circle, grown), inner, outer = (_disc(light.turn, radius) for radius in (a, b, c))
    area = np.where(c > b, c * c - b * b, 1.0)[:, None]
    ring, ring_grown = ((far - near) / area for far, near in zip(outer, inner, strict=True))
    inside = np.where(counted, (light.star * circle).sum(1), 1.0)
    level = (light.star * ring).sum(1)
    return _Whole(circle, ring, grown, ring_grown - 2 * ring, a * a, inside, level)


def _radius(
    light: _Light, whole: _Whole, *, fraction: np.ndarray | float, start_px: np.ndarray
) -> np.ndarray:
    """Halley's method on the light inside a radius."""
    radius, level = start_px, whole.level
    wanted = fraction * (whole.inside - whole.square * level)
    for _ in range(MOST_STEPS):
        phase = light.turn * radius[:, None]
        edge = light.star * j1(phase)
        growth = light.star * light.turn * j0(phase)
        missing = wanted - radius * edge.sum(1) + radius**2 * level
        slope = radius * growth.sum(1) - 2 * radius * level
        bend = (growth - edge * light.turn * phase).sum(1) - 2 * level
        # The light grows all the way out; where rounding says no, a step in its direction will do.
        slope = np.maximum(slope, 0.05 * fraction / radius)
        step = missing / slope
        step = step / np.maximum(1 + 0.5 * step * bend / slope, 0.5)
        step = np.clip(step, -0.4 * radius, 0.6 * radius)
        radius = radius + step
        if np.all(np.abs(step) < CLOSE * radius):
            break
    return radius


def _slopes(
    stars: Stars,
    state: StarState,
    light: _Light,
    whole: _Whole,
    *,
    fraction: np.ndarray | float,
    radius: np.ndarray,
) -> Sizes:
    """Slopes of the radius: how the light inside changes, over how it grows outwards."""
    share = np.broadcast_to(fraction, radius.shape)[:, None]
    square = radius[:, None] ** 2 - share * whole.square[:, None]
    # How the light that is missing at the radius hangs on what stars pass, and the radius on that.
    inside, grown = _disc(light.turn, radius)
    kernel = inside - share * whole.circle - square * whole.ring
    rate = -radius / ((light.star * grown).sum(1) - 2 * radius**2 * whole.level)
    doubled = 2 * share * whole.square[:, None]
    stated = -share * whole.grown + doubled * whole.ring - square * whole.ring_grown
    shaped = kernel[stars.owner] * light.passed
    wave = 4 * stars.wavelength_um * state.diffraction_px_per_um
    at_nodes = stars.carried(shaped, back=True)
    by_spherical, *by_wave = ((at_nodes * slope).sum(1) for slope in light.slopes)
    each = shaped * light.pupil
    enclosed, dimmed = each.sum(1), each * light.turbulence
    pixels = stars.seen.pixel_px2 * (kernel * light.star @ light.turn**2)

    def total(rows: np.ndarray) -> np.ndarray:
        return rate * stars.sum(rows)

    def by_share(exponent: np.ndarray) -> np.ndarray:
        return total(enclosed * (exponent - stars.sum(light.share * exponent)[stars.owner]))

    by_px = np.stack([total(by / wave) for by in by_wave])
    return Sizes(
        radius=radius,
        by_blur=by_px[0],
        by_log_seeing=total(-state.air * dimmed.sum(1)),
        by_air=total(-(dimmed * light.log_detail).sum(1)),
        by_colour=by_px[1:4],
        by_spherical=total(by_spherical * MIDDLE_UM / stars.wavelength_um),
        by_spread=by_px[4],
        by_spectrum=np.stack([by_share(hue) for hue in stars.hue]),
        by_tint=by_share(stars.place),
        by_seen=rate * ((light.star * stated).sum(1) - pixels),
    )
