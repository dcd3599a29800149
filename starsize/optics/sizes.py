"""The size of a star: the radius that holds a share of its light, and its slopes.

The light inside a radius R is 2 pi R integral of OTF(f) J1(2 pi f R) df.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import j0, j1

from .star import MIDDLE_UM, BandStars, Stars, StarState, onto

MOST_STEPS, CLOSE = 12, 1e-3
"""Halley's steps at most; one so small, relative, was the last: errors fall with its cube."""
QUANTITIES = 14


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """Radii and their slopes by each quantity of `StarState`, pixels: (m,), colour (3, m).

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

    def chosen(self, which: np.ndarray) -> "Sizes":
        """Some of the radii, by where they stand among all: (m,)."""
        columns = (getattr(self, name) for name in Sizes.__slots__)
        ahead = self.radius.ndim
        return Sizes(*(c.reshape(*c.shape[: c.ndim - ahead], -1)[..., which] for c in columns))


def star_sizes(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
) -> Sizes:
    """Radii that hold a share of the light of each frame's star, and their slopes.

    All have the shape of ``stars.seen``; ``start_px`` is about where the radii lie.

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
    start_px = _about(state) if start_px is None else start_px
    found = np.empty((QUANTITIES, *stars.seen.total_px.shape))
    for piece in stars.pieces:
        light = _light(stars, piece, state)
        asked = _asked(stars, piece, light, fraction=fraction, start_px=start_px)
        found[..., piece.star] = _slopes(stars, piece, light, asked, _radius(asked))
    return Sizes(
        radius=found[0],
        by_blur=found[1],
        by_colour=found[2:5],
        by_spread=found[5],
        by_spherical=found[6],
        by_log_seeing=state.air * found[7],
        by_air=found[8],
        by_spectrum=found[9:12],
        by_tint=found[12],
        by_seen=found[13],
    )


def star_radii(
    stars: Stars,
    state: StarState,
    *,
    fraction: np.ndarray | float = 0.5,
    start_px: np.ndarray | None = None,
) -> np.ndarray:
    """The radii of `star_sizes` without their slopes."""
    start_px = _about(state) if start_px is None else start_px
    found = np.empty(stars.seen.total_px.shape)
    for piece in stars.pieces:
        light = _light(stars, piece, state, slopes=False)
        asked = _asked(stars, piece, light, fraction=fraction, start_px=start_px)
        found[..., piece.star] = _radius(asked).radius
    return found


def _about(state: StarState) -> np.ndarray:
    sharp = 0.53 * MIDDLE_UM * state.diffraction_px_per_um
    return np.sqrt(sharp**2 + (0.57 * state.seeing_px) ** 2 + 0.5 * state.blur_px**2)


class _Light(NamedTuple):
    """The light of n stars at k frequencies, of c colours or of all together."""

    lit: np.ndarray
    """Of each colour: (c, n, k)."""
    passing: np.ndarray
    """Of that, what the seeing passes, times share of the colour and weight of the frequency."""
    star: np.ndarray
    """All colours together: (n, k)."""
    dimmed: np.ndarray
    """What more seeing takes off, per relative change over ``StarState.air``; what more of that
    does: (2, n, k)."""
    slopes: np.ndarray
    """Of the pupil by spherical aberration, blur, colour (3) and spread: (6, c, n, nodes)."""
    share: np.ndarray
    onto: np.ndarray
    waves: np.ndarray
    """Of defocus that a blur of a pixel is: (c,)."""


def _light(stars: Stars, piece: BandStars, state: StarState, *, slopes: bool = True) -> _Light:
    blur = state.blur_px[piece.star]
    shifted = np.tensordot(state.colour_px, piece.terms, 1) - state.spread_px * piece.side
    waves = 1 / (4 * piece.wavelength_um * state.diffraction_px_per_um)
    defocus = (blur[:, None] - shifted[:, None]) * waves[:, None, None]
    count, across, parts = defocus.shape
    moved = np.stack([np.ones_like(piece.side), *-piece.terms, piece.side])[: 5 * slopes, :, None]
    read = (
        stars.table.reaching(defocus)
        .read(
            defocus.reshape(-1, parts),
            state.spherical * MIDDLE_UM / piece.wavelength_um,
            np.broadcast_to(moved, (len(moved), *defocus.shape)).reshape(
                len(moved), count * across, parts
            ),
            which=np.repeat(np.arange(count), across),
        )
        .reshape(-1, count, across, stars.table.detail.size)
    )
    hue = (state.spectrum @ piece.hue)[:, None]
    share = np.exp(_own(state.tint, piece) * piece.place[:, None] + hue) * piece.share[:, None]
    share = share / share.sum(axis=0)
    # The same air before many stars is worked out once.
    seeing, sky = np.unique(_own(state.seeing_px, piece), return_inverse=True)
    log_detail = np.log(stars.frequencies.cycles) + np.log(seeing / 0.976)[:, None]
    log_colour = -0.2 * np.log(piece.wavelength_um / MIDDLE_UM)
    turbulence, colour = 3.44 * np.exp(state.air * log_detail), np.exp(state.air * log_colour)
    passed = np.exp(-colour[:, None, None] * turbulence) * (2 * np.pi * stars.frequencies.weight)
    passing = passed[:, sky] * share[..., None]
    colours = tuple(piece.wavelength_um.tolist())
    carry = onto(stars.table, stars.frequencies, colours, state.diffraction_px_per_um)
    lit = np.matmul(read[0], carry) * passing
    summed = np.stack([np.ones(count), colour, colour * log_colour]) @ lit.reshape(count, -1)
    star, dimmed, redder = summed.reshape(3, *lit.shape[1:])
    dimmed = turbulence[sky] * np.stack([dimmed, log_detail[sky] * dimmed + redder])
    return _Light(lit, passing, star, dimmed, read[1:], share, carry, waves)


def _own(value: np.ndarray, piece: BandStars) -> np.ndarray:
    """What is stated of each star, or of all, for those of a piece."""
    return value[piece.star] if np.size(value) > 1 else np.full(piece.star.size, value)


class _Asked(NamedTuple):
    """Which radii R of n stars are asked: those where light(R) - R^2 ring is ``wanted``."""

    turn: np.ndarray
    """Frequencies, radians per pixel: (k,)."""
    pixels: np.ndarray
    """What the pixels pass, and the ``light`` of the stars that they pass: (..., n, k)."""
    light: np.ndarray
    fraction: np.ndarray
    """(..., n), as all that follows."""
    wanted: np.ndarray
    level: np.ndarray
    start_px: np.ndarray


def _asked(
    stars: Stars,
    piece: BandStars,
    light: _Light,
    *,
    fraction: np.ndarray | float,
    start_px: np.ndarray,
) -> _Asked:
    shape, mine = stars.seen.total_px.shape, piece.star
    fraction, start_px = (np.broadcast_to(v, shape)[..., mine] for v in (fraction, start_px))
    turn = 2 * np.pi * stars.frequencies.cycles
    pixels = np.exp(-0.5 * stars.seen.pixel_px2[..., mine, None] * turn**2)
    seen = light.star * pixels
    inside = (seen * stars.whole.light[..., mine, :]).sum(-1)
    level = (seen * stars.whole.ring[..., mine, :]).sum(-1)
    counted = np.isfinite(stars.seen.total_px[..., mine])
    wanted = fraction * np.where(counted, inside, 1.0)
    return _Asked(turn, pixels, seen, fraction, wanted, level, start_px)


class _Found(NamedTuple):
    """Radii (..., n), kernels of the light inside them (..., n, k), and how it grows with them."""

    radius: np.ndarray
    inside: np.ndarray
    rise: np.ndarray


def _radius(asked: _Asked) -> _Found:
    """Halley's method on the light inside a radius."""
    radius, level, turn = asked.start_px, asked.level, asked.turn
    for _ in range(MOST_STEPS):
        phase = turn * radius[..., None]
        first, zero = j1(phase), j0(phase)
        growth = asked.light * turn
        edge = (asked.light * first).sum(-1)
        rise = (growth * zero).sum(-1)
        missing = asked.wanted - radius * edge + radius**2 * level
        slope = radius * (rise - 2 * level)
        bend = rise - (growth * phase * first).sum(-1) - 2 * level
        # The light grows all the way out; where rounding says no, a step in its direction will do.
        slope = np.maximum(slope, 0.05 * asked.fraction / radius)
        step = missing / slope
        step = step / np.maximum(1 + 0.5 * step * bend / slope, 0.5)
        step = np.clip(step, -0.4 * radius, 0.6 * radius)
        radius = radius + step
        if np.all(np.abs(step) < CLOSE * radius):
            break
    # Carried over the last step: that spares one more evaluation of the kernels.
    short = step[..., None]
    inside = phase / turn * first + short * (
        phase * zero + short / 2 * turn * (zero - phase * first)
    )
    return _Found(radius, inside, slope + step * bend)


def _slopes(
    stars: Stars, piece: BandStars, light: _Light, asked: _Asked, found: _Found
) -> np.ndarray:
    """Radii and slopes of the radius: how the light inside changes, over how it grows outwards."""
    mine, whole, count = piece.star, stars.whole, len(piece.wavelength_um)
    share, square = asked.fraction[..., None], found.radius[..., None] ** 2
    kernel = found.inside - share * whole.light[..., mine, :] - square * whole.ring[..., mine, :]
    grown = -share * whole.light_grown[..., mine, :] - square * whole.ring_grown[..., mine, :]
    pixels = stars.seen.pixel_px2[..., mine] * (kernel * asked.light @ asked.turn**2)
    by_seen = (asked.light * grown).sum(-1) - pixels
    kernel = kernel * asked.pixels
    passing = light.passing.reshape(count, *(1,) * (kernel.ndim - 2), *light.star.shape)
    shaped = (kernel * passing).reshape(count, -1, asked.turn.size)
    at_nodes = np.matmul(shaped, light.onto.swapaxes(1, 2))
    at_nodes = at_nodes.reshape(*passing.shape[:1], *found.radius.shape, -1)
    moved = np.einsum("c...nj,qcnj->qc...n", at_nodes, light.slopes)
    by_spherical = np.tensordot(MIDDLE_UM / piece.wavelength_um, moved[0], 1)
    by_px = np.tensordot(light.waves, moved[1:], ((0,), (1,)))
    enclosed = np.einsum("...nk,cnk->c...n", kernel, light.lit)
    hue = np.stack([*piece.hue, piece.place])
    usual = (hue @ light.share).reshape(len(hue), *passing.shape[1:-1])
    by_hue = np.tensordot(hue, enclosed, 1) - usual * enclosed.sum(axis=0)
    by_seeing, by_air = -(kernel * light.dimmed.reshape(2, *passing.shape[1:])).sum(-1)
    slopes = np.stack([*by_px, by_spherical, by_seeing, by_air, *by_hue, by_seen])
    return np.concatenate([found.radius[None], slopes / -found.rise])
