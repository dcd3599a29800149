"""The steps between the layers, for people who take them one by one."""

import math
from collections.abc import Sequence
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from . import comparison, curves, frames
from .curves import BoundedRadii, CurveSet, FocusCurve, Known, inner_radii
from .frames import Frame, FrameFacts, read_frame
from .optics.star import Apertures
from .photometry import measure_image, star_table
from .reports.words import in_words, worded
from .setup import Setup, given_setup
from .tracking import MeasuredSweep

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable

#: The layers hand on codes and numbers; who takes the steps one by one reads sentences.
fit_curve = in_words(curves.fit_curve)
find_sweeps = in_words(frames.find_sweeps)
complete_setup = in_words(frames.complete_setup)
compare_sweeps = in_words(comparison.compare_sweeps)
compare_filter_sets = in_words(comparison.compare_filter_sets)


def measure_frame(
    source: FrameFacts | Frame | str | Path | np.ndarray,
    *,
    threshold: float = 5.0,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    max_stars: int | None = None,
) -> "QTable":
    """Find and measure the stars of one frame of a mono camera.

    Parameters
    ----------
    source : path, FrameFacts, Frame or (ny, nx) array
        A file, what ``list_frames`` or ``read_frame`` hand out, or pixel values in ADU; NaN where
        unusable.
    threshold : float
        Lowest signal-to-noise ratio in a box about as wide as a star.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; from the header, else judged from the data, where not given.
    max_stars : int, optional
        Measure at most this many of the brightest.

    Returns
    -------
    QTable
        One row a star, brightest first: ``x``, ``y``, ``radius``, ``radius_sigma``,
        ``mean_radius`` (pix), ``flux``, ``flux_sigma``, ``background`` (adu), ``elongation``,
        ``flags``.

    Raises
    ------
    FrameReadError
        If a file cannot be read.
    ValueError
        If an array is not 2-D.

    Examples
    --------
    >>> import numpy as np
    >>> y, x = np.mgrid[:64, :64]
    >>> star = 3e4 * np.exp(-((x - 30) ** 2 + (y - 33) ** 2) / (2 * 2.0**2))
    >>> noise = np.random.default_rng(1).normal(500, 10, (64, 64))
    >>> len(measure_frame(star + noise))
    1
    """
    if isinstance(source, np.ndarray):
        image = source
    else:
        frame = source if isinstance(source, Frame) else read_frame(source)
        image = frame.image
        gain_e_per_adu = gain_e_per_adu or frame.facts.gain_e_per_adu
        saturation_adu = saturation_adu or frame.facts.saturation_adu
    measured = measure_image(
        image,
        threshold=threshold,
        gain_e_per_adu=gain_e_per_adu,
        saturation_adu=saturation_adu,
        max_stars=max_stars,
    )
    table = star_table(measured.stars)
    for name in ("radius_px", "radius_sigma_px", "n_found", "background_adu", "background_rms_adu"):
        table.meta[name] = np.asarray(getattr(measured.radius, name)).item()
    return table


def fit_curves(
    sweeps: Sequence[MeasuredSweep | FocusCurve],
    *,
    setup: Setup | None = None,
    obstruction: float | None = None,
    model: Literal["auto", "star", "hyperbola"] = "auto",
    near: CurveSet | None = None,
) -> CurveSet:
    """Fit the sweeps of one telescope together, by one physical model of the star.

    Parameters
    ----------
    sweeps : sequence of MeasuredSweep or FocusCurve
        From ``measure_sweeps``, or radii measured elsewhere (``focus_curve``).
    setup : Setup, optional
        Telescope, camera, step size and passbands, as far as they are known.
    obstruction : float, optional
        Diameter of the central obstruction over that of the aperture; wins over the setup's.
    model : {"auto", "star", "hyperbola"}
        "auto" and "star" are the physical star, "hyperbola" the plain curve, each sweep alone.
    near : CurveSet, optional
        A fit of the same sweeps at nearly the same positions: the search sets out from there.

    Returns
    -------
    CurveSet
        One fit per sweep, in order, and the joint covariance of the answered ones.

    Notes
    -----
    Positions are those of the headers; ``measure_offsets`` also frees each sweep of the cooling
    that went on within it, once the sweeps have told the coefficient.

    References
    ----------
    .. [1] M. Born and E. Wolf, Principles of Optics, 7th edition, sec. 8.8: the defocused pupil.
    .. [2] D. L. Fried, J. Opt. Soc. Am. 56 (1966) 1372: the long-exposure transfer of the air.

    Examples
    --------
    >>> import numpy as np
    >>> import starsize
    >>> position = np.arange(900, 1101, 20)
    >>> radius = np.hypot(1.5, 0.05 * (position - 1003))
    >>> curve = starsize.focus_curve(position, radius, 0.01 * radius)
    >>> (fit,) = fit_curves([curve]).fits
    >>> round(fit.best_steps)
    1003
    """
    chosen = [curve_of(s) if isinstance(s, MeasuredSweep) else s for s in sweeps]
    known = given_setup(setup)
    telescope = Known(
        focal_ratio=known.telescope.focal_ratio,
        pixel_um=known.camera.pixel_um,
        um_per_step=known.focuser.um_per_step,
        obstruction=known.telescope.obstruction if obstruction is None else obstruction,
    )
    bands = known.bands(c.filter for c in chosen)
    found = curves.fit_curves(chosen, telescope=telescope, bands=bands, model=model, near=near)
    return worded(found)


def curve_of(measured: MeasuredSweep) -> FocusCurve:
    """Focus curve of a measured sweep: the frames that have a radius, in order of time.

    Returns
    -------
    FocusCurve
        With the positions of the headers.

    Examples
    --------
    >>> from starsize import find_sweeps, list_frames, measure_sweeps
    >>> sweeps, notices = find_sweeps(list_frames(["my-night"]))  # doctest: +SKIP
    >>> curve_of(measure_sweeps(sweeps)[0]).radius_px.min()  # doctest: +SKIP
    1.31
    """
    frames = [f for f in measured.frames if math.isfinite(f.radius_px)]

    def column(name: str) -> np.ndarray:
        values = map(attrgetter(name), frames)
        return np.array([math.nan if v is None else v for v in values], float)

    bounded = BoundedRadii(
        column("bounded.radius_px"),
        column("bounded.sigma_px"),
        Apertures(*(column(f"bounded.{name}") for name in Apertures.__slots__)),
    )
    return FocusCurve(
        id=measured.id,
        filter=measured.filter,
        position_steps=column("facts.position_steps"),
        radius_px=column("radius_px"),
        radius_sigma_px=column("radius_sigma_px"),
        n_stars=np.array([f.n_stars for f in frames], int),
        temperature_degC=column("facts.temperature_degC"),
        time_mjd=column("facts.mid_time_mjd"),
        names=tuple(f.facts.path.name for f in frames),
        approach=measured.sweep.approach,
        bounded=bounded,
        inner=inner_radii(column("radius30_px"), column("radius_px"), bounded),
    )
