"""The one model of a night, written down once, and its priors.

Hidden, for frame k through filter f:

    x_k   defocus of the telescope in zones of 550 nm, signed, plus outward
    v_k   ln of the night's seeing (FWHM at 550 nm, pixels); u_k = v_k + jitter that of the frame
    d_k = x_k + e_f          defocus of the frame; e_f: how far the offset of f is off, mostly 0

    x_k+1 = x_k + m_k - c (T_k+1 - T_k) + N(0, q dt) + slip
    v_k+1 = v_k + N(0, s dt)

m_k is the known move: new position minus old minus the change of the table's offset. c is the
temperature coefficient in zones per degree (per hour where there is no thermometer). A slip is rare
and Laplace distributed. Where positions are not known, somebody may have focused between two
frames: then x begins anew. Cooling is smooth, a slip is a step, seeing is rough and comes back.

Seen, with R_p(d, u; f, a) the radius of a share p of the light by wave optics (`telescope`), a the
exponent of the air's transfer function:

    ln r50         = ln R50(d, u) + N(0, s50^2)
    ln (r80 / r50) = ln R80 / R50 (d, u) + b(d) + z g(d, u) + w h(d, u) sign d
                     + N(0, s_shape^2 + (2 differs)^2)
    slopes of ln r50 over the frame as `telescope` has them, if sweeps have shown a tilt or bowl
    g^2 = (sigma_a dln(R80 / R50)/da)^2 + along(d, u)^2,   z, w ~ N(0, 1)

or, with a small probability, anything (a wild frame). Stars drawn out by wind or guiding beyond
those of the night's better frames tell less: the excess of their elongation adds to s50 and
s_shape. At each d the radius tells u to a few thousandths, so the shape, taken at that u, tells d,
and the seeing's course says how likely that u is.

b is what sweeps have shown the star of wave optics to lack (`learn`), C its covariance between
defoci, to which (l (v - v_swept))^2 k(d, d') is added under other seeing; without sweeps b = 0 and
C = lack^2 k. Of C,

    along^2 = C(d, 0)^2 / C(0, 0)      goes along with frames in focus,
    h^2     = C(d, d) - along^2        is left, and either side of focus has its own.

z is one number for all frames of a night: what is not known of the air and what the table lacks
both lift or lower every shape, and frames in focus tell how much. a = mean + z sigma_a. w is what
they do not tell: without it a night would take the side of focus from what one evening's sweeps
happened to show. Without sweeps both sides look alike. s_shape is what the night's own shapes
scatter from frame to frame.

c, z, w and whether the field is still that of the sweeps are averaged over on a grid by their
evidence; e_f is tried for one filter after another, as long as its odds say so (`judge`). All
else is exact on a grid of (x, v), whose steps have the moments of those above: forwards alone while
the night goes on (the past only), forwards and backwards after it. Growth is
R50(d, u) / min_d R50(d, u) - 1; what comes out is its distribution.

The grids are small (about 80 x 35) and each step has a transition of its own, which libraries for
hidden Markov models do not offer; products of matrices do.
"""

from dataclasses import dataclass

import numpy as np

STEP_ZONES = 0.2
DEFOCUS_ZONES = STEP_ZONES * np.arange(-40, 41)
"""Grid of x and d."""
TRIED_ZONES = 2 * STEP_ZONES * np.arange(-13, 14)
"""Errors of an offset that are tried, whole steps of that grid."""
LOG_STEP = 0.08
"""Of the grid of v. Seeing jitters by half of it, and a normal curve so sampled is whole to 2 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPriors:
    """What is known before the night; zones are those of 550 nm.

    Each figure is common practice, from memory, where no source stands beside it.
    """

    start_zones: float = 0.5
    """Defocus at the start: somebody focused, but for one night in 25."""
    start_anyhow: float = 0.04
    walk_zones: float = 0.3
    """Wander of focus beyond the coefficient, per square root of an hour."""
    slip_chance: float = 0.003
    """Per frame: one night in five or six of 60 frames."""
    slip_zones: float = 3.0
    refocus_chance: float = 0.02
    """Per frame, where the header would not tell."""
    moved_refocus: float = 0.2
    """That a known move of more than a zone through one filter was the end of focusing."""
    change_zones: float = 0.2
    """What a change of filter adds where a table of offsets says how far they are apart."""
    untold_change_zones: float = 1.0
    """The same where no table does."""
    per_degC: float = 0.0
    per_degC_sigma: float = 1.0
    per_hour_sigma: float = 0.7
    seeing_arcsec: float = 2.8
    seeing_log_sigma: float = 0.45
    seeing_wander: float = 0.18
    """Of ln seeing, per square root of an hour: 10 to 30 % in an hour."""
    seeing_jitter: float = 0.045
    air: float = 1.7
    """Turbulence alone has 5/3, guiding and optics push towards the Gaussian's 2."""
    air_sigma: float = 0.07
    wobble: float = 0.004
    """Of ln shape from frame to frame: guiding, other stars."""
    lack: float = 0.007
    """What the star of wave optics lacks of a real shape where no sweeps have shown it."""
    lack_differs: float = 0.006
    """In which filters and defoci differ there, measured on drawn lenses (colour and spherical
    aberration)."""
    lack_differs_mirror: float = 0.002
    """The same where an obstruction says that it is a mirror, which has no colour."""
    lack_by_seeing: float = 0.02
    """The same for each unit of ln seeing away from that of the sweeps."""
    camera_moved: float = 0.1
    """That the camera's tilt is no longer that of the sweeps."""
    radius_lack: float = 0.003
    wild: float = 0.02
    offset_wrong: float = 0.03
    """That the offset of a filter is off by more than the table says."""
    offset_wrong_zones: float = 4.0


PRIORS = NightPriors()
