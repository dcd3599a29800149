"""The telescope as the model of a night knows it: star by filter, offsets, coefficient."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from .field import Field

MIDDLE_UM = 0.55
ARCSEC_PER_RADIAN = 206264.806


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equipment:
    """What is known of the telescope.

    Attributes
    ----------
    shapes : dict of str to tuple
        By filter, a star of wave optics as ``CurveFit.shape`` holds it.
    best_px : dict of str to float
        Where on the star's axis of blur its half-flux radius is smallest, by filter, pixels.
    zone_px : float
        Radius of the disc that one zone of 550 nm makes.
    zone_steps : float
        NaN where the step size is not known.
    offset_steps : dict of str to Estimate
        The table, from one reference; empty without one.
    per_degC : Estimate
        Steps per degree.
    air : Estimate
        Exponent of the air's transfer function; NaN where nothing is known.
    shape_bias : dict of str to (D,) array
        By filter, on ``DEFOCUS_ZONES``: ln of measured over modelled shape as sweeps have shown it.
    shape_lack : dict of str to (2, D) array
        How well that is known: what goes along with focus, and what is left.
    shape_differs : dict of str to float
        By how much the lack of a filter may differ from that of the others.
    swept_seeing : dict of str to float
        ln of the seeing under which they have shown it, pixels.
    field : Field or None
        Tilt and curvature, where sweeps have shown them.
    arcsec_per_px : float
    learnt : bool
        Whether the stars come from sweeps.
    assumed : str
        What had to be assumed, in words; empty if nothing.

    Examples
    --------
    >>> from starsize import measure_night
    >>> known = measure_night(["tonight"], offsets="my-results").equipment  # doctest: +SKIP
    >>> known.learnt, known.offset_steps["R"]  # doctest: +SKIP
    (True, Estimate(value=12.3, sigma=1.4))
    """

    shapes: Mapping[str, tuple[float, ...]]
    best_px: Mapping[str, float]
    zone_px: float
    zone_steps: float = math.nan
    offset_steps: Mapping[str, Estimate] = dataclasses.field(default_factory=dict)
    per_degC: Estimate = NOT_KNOWN
    air: Estimate = NOT_KNOWN
    shape_bias: Mapping[str, np.ndarray] = dataclasses.field(default_factory=dict)
    shape_lack: Mapping[str, np.ndarray] = dataclasses.field(default_factory=dict)
    shape_differs: Mapping[str, float] = dataclasses.field(default_factory=dict)
    swept_seeing: Mapping[str, float] = dataclasses.field(default_factory=dict)
    field: Field | None = None
    arcsec_per_px: float = math.nan
    learnt: bool = False
    assumed: str = ""
    reference: str = ""
