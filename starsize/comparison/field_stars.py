"""From the star tracks of sweeps to the field, and from the field back to the sweeps' focus."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..curves import radius_at
from ..curves.fitted import CurveFit, CurveSet
from ..estimate import Estimate, Finding
from ..optics import critical_focus_zone_um
from ..setup import Setup
from ..tracking.measured import MeasuredSweep
from .compared import FieldReport
from .field import FieldSweep, Frame, field_of_focus
from .offsets.table import Scale


def field_of_sweeps(
    measured: Sequence[MeasuredSweep],
    fits: Sequence[CurveFit],
    *,
    setup: Setup,
    um_per_step: Estimate | None,
    reference: str = "L",
) -> FieldReport | Finding | None:
    """The field from all answered sweeps with stars.

    Why they cannot tell where they cannot; None where no star was followed. ``fits`` begin with
    those of ``measured``, in its order; ``reference`` is the filter whose zone the field is
    compared with.
    """
    pairs = [
        (one, fit)
        for one, fit in zip(measured, fits, strict=False)
        if fit.answered and fit.shape and len(one.tracks.x_px)
    ]
    if not pairs:
        return None
    facts = pairs[0][0].sweep.frames[0]
    height, width = facts.shape
    frame = Frame(width, height, setup.camera.pixel_um or facts.pixel_um)
    scale = Scale(um_per_step=um_per_step, sense=1 if setup.focuser.outward == "increasing" else -1)
    same = [_field_sweep(m, f) for m, f in pairs if m.sweep.frames[0].shape == facts.shape]
    band, ratio = setup.band(reference), setup.telescope.focal_ratio
    zone = critical_focus_zone_um(band.wavelength_nm, ratio) if band and ratio else None
    return field_of_focus(same, frame=frame, scale=scale, zone_um=zone)


def at_centre(curves: CurveSet, centre_steps: Mapping[str, Estimate]) -> CurveSet:
    """Best focus of each sweep at the centre of the frame instead of the mean of its stars.

    How well that is known adds to the variance. ``centre_steps`` is that of ``FieldReport``.
    """
    fits, extra = [], []
    for fit in curves.fits:
        move = centre_steps.get(fit.curve.id)
        if move is not None:
            fit = _moved(fit, move)
        fits.append(fit)
        if fit.answered:
            extra.append(move.sigma**2 if move else 0.0)
    return replace(
        curves, fits=tuple(fits), covariance_steps2=curves.covariance_steps2 + np.diag(extra)
    )


def _moved(fit: CurveFit, move: Estimate) -> CurveFit:
    by = move.value
    low68, high68 = fit.interval68_steps
    low95, high95 = fit.interval95_steps
    own = float(np.hypot(fit.best_sigma_steps, move.sigma))
    return replace(
        fit,
        best_steps=fit.best_steps + by,
        best_sigma_steps=own,
        interval68_steps=(low68 + by, high68 + by),
        interval95_steps=(low95 + by, high95 + by),
    )


def _field_sweep(measured: MeasuredSweep, fit: CurveFit) -> FieldSweep:
    curve, tracks = fit.curve, measured.tracks
    seen = [
        i
        for i, f in enumerate(measured.frames)
        if np.isfinite(f.radius_px) and f.facts.position_steps is not None
    ]
    good = (tracks.flags[:, seen] == 0) & fit.used
    margin = np.ptp(curve.position_steps) / 3
    ends = curve.position_steps.min() - margin, curve.position_steps.max() + margin
    along = np.linspace(*ends, 400)
    return FieldSweep(
        id=curve.id,
        filter=curve.filter,
        x_px=tracks.x_px,
        y_px=tracks.y_px,
        star=tracks.identity,
        radius_px=np.where(good, tracks.radius_px[:, seen], np.nan),
        radius_sigma_px=tracks.radius_sigma_px[:, seen],
        position_steps=curve.position_steps,
        frame_px=curve.radius_px,
        curve_steps=along,
        curve_px=radius_at(fit, along),
    )
