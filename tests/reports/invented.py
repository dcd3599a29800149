"""Pieces of an invented night, built by hand: no layer is run."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from starsize.comparison.compared import (
    ColourPoint,
    ColourReport,
    OddFilter,
    OffsetRow,
)
from starsize.comparison.sets import SetRow
from starsize.curves.curve import FocusCurve
from starsize.curves.fitted import CurveFit
from starsize.estimate import Estimate
from starsize.frames.frame import FrameFacts, Sweep
from starsize.optics import critical_focus_zone_um
from starsize.setup import Focuser, Setup, Telescope
from starsize.tracking.measured import FrameRadius, MeasuredSweep, StarTracks

NIGHT = Path("night")
UM_PER_STEP = 4.0
FOCAL_RATIO = 5.5
WAVELENGTHS = {"L": 550.0, "R": 640.0, "G": 535.0, "B": 450.0, "Ha": 656.28, "OIII": 500.7}
OFFSETS = {"L": 0.0, "R": 12.3, "G": -1.4, "B": 19.8, "Ha": 15.2, "OIII": 85.1}
BEST, SLOPE, FLOOR = 12_345.6, 0.031, 2.1
POSITIONS = BEST + 40.0 * np.arange(-5, 6)


def facts(name, *, band, position, temperature, minutes, kind="light"):
    return FrameFacts(
        path=NIGHT / name,
        kind=kind,
        shape=(2080, 3096),
        filter=band,
        filter_written=band,
        position_steps=position,
        temperature_degC=temperature,
        temperature_of="focuser",
        exposure_s=4.0,
        mid_time_mjd=61_000.8 + minutes / 1440,
        pixel_um=3.76,
    )


def measured_sweep(name, band, *, start_minutes, temperature, seed):
    """Frames of one sweep with a blank frame at the end of it for good measure."""
    rng = np.random.default_rng(seed)
    best = BEST + OFFSETS.get(band, 0.0) - 6 * (temperature - 8.0)
    positions = np.round(best + 40.0 * np.arange(-5, 6))
    radii = np.hypot(FLOOR * (1 + 0.04 * rng.standard_normal(11)), SLOPE * (positions - best))
    frames = []
    for i, (position, radius) in enumerate(zip(positions, radii, strict=True)):
        one = facts(
            f"{name}_{i:02d}.fits",
            band=band,
            position=float(position),
            temperature=round(temperature - 0.02 * i, 2),
            minutes=start_minutes + i,
        )
        frames.append(
            FrameRadius(
                facts=one,
                radius_px=float(radius),
                radius_sigma_px=float(0.006 * radius),
                n_stars=140 + i,
                n_found=190,
                background_adu=812.4,
                background_rms_adu=14.2,
                elongation=1.08,
                set_aside={"saturated": 6, "edge": 12},
            )
        )
    sweep = Sweep(id=name, filter=band, frames=tuple(f.facts for f in frames), approach="outward")
    return measured_of(sweep, band, frames, name=name)


def measured_of(sweep, band, frames, *, name):
    return MeasuredSweep(
        id=name,
        filter=band,
        sweep=sweep,
        frames=tuple(frames),
        tracks=StarTracks(
            x_px=np.zeros(0),
            y_px=np.zeros(0),
            radius_px=np.zeros((0, len(frames))),
            radius_sigma_px=np.zeros((0, len(frames))),
            flags=np.zeros((0, len(frames)), int),
        ),
    )


def curve_of(measured):
    frames = [f for f in measured.frames if np.isfinite(f.radius_px)]
    return FocusCurve(
        id=measured.id,
        filter=measured.filter,
        approach=measured.sweep.approach,
        position_steps=np.array([f.facts.position_steps for f in frames], float),
        radius_px=np.array([f.radius_px for f in frames], float),
        radius_sigma_px=np.array([f.radius_sigma_px for f in frames], float),
        n_stars=np.array([f.n_stars for f in frames], int),
        temperature_degC=np.array([f.facts.temperature_degC for f in frames], float),
        time_mjd=np.array([f.facts.mid_time_mjd for f in frames], float),
        names=tuple(f.facts.path.name for f in frames),
    )


def good_fit(measured, *, best, sigma=1.1, wrecked=()):
    curve = curve_of(measured)
    used = np.ones(len(curve.names), bool)
    reasons = [None] * len(curve.names)
    for i in wrecked:
        used[i] = False
        reasons[i] = "Its stars are 1.5 times as large as the curve says: cloud, gust or trail."
    return CurveFit(
        curve=curve,
        verdict="good",
        answered=True,
        reason="The minimum is inside the sweep and both wings are covered.",
        used=used,
        frame_reasons=tuple(reasons),
        model="hyperbola",
        best_steps=best,
        best_sigma_steps=sigma,
        dof=8.0,
        interval68_steps=(best - sigma, best + sigma),
        interval95_steps=(best - 2.3 * sigma, best + 2.3 * sigma),
        floor_px=Estimate(FLOOR, 0.03),
        slope_px_per_step=Estimate(SLOPE, 0.0002),
        # A hyperbola: obstruction, vertex, logarithms of floor and slope, no lopsidedness.
        shape=(best, FLOOR, SLOPE),
        jitter=0.04,
        chi2_reduced=1.07,
        wing_centre_steps=Estimate(best + 0.4, 1.0),
        hyperbola_steps=Estimate(best + 0.6, 1.4),
        v_steps=Estimate(best - 1.1, 2.6),
    )


def refused_fit(measured):
    curve = curve_of(measured)
    return CurveFit(
        curve=curve,
        verdict="not_bracketed",
        answered=False,
        reason="The stars still shrink at the outer end: continue outward by about 150 steps.",
        used=np.ones(len(curve.names), bool),
        frame_reasons=(None,) * len(curve.names),
        bound_steps=(12_460.0, float("inf")),
    )


def refused_sweep():
    """SII: only the inner wing was taken."""
    full = measured_sweep("SII-1", "SII", start_minutes=150, temperature=6.2, seed=9)
    frames = full.frames[:5]
    sweep = replace(full.sweep, frames=full.sweep.frames[:5])
    return measured_of(sweep, "SII", frames, name="SII-1")


def offset_row(name, sigma=1.6):
    offset = OFFSETS[name]
    zone = critical_focus_zone_um(WAVELENGTHS[name], FOCAL_RATIO) / UM_PER_STEP
    reference = name == "L"
    action = "ignore" if abs(offset) < 4 else "move"
    reason = (
        "The change stays inside the zone, whatever its exact value."
        if action == "ignore" and not reference
        else ""
    )
    return OffsetRow(
        filter=name,
        reference="L",
        status="measured",
        sweeps=3 if reference else 1,
        frames=33 if reference else 11,
        stars=146,
        best_focus_steps=BEST + offset,
        best_focus_sigma_steps=1.2,
        offset_steps=offset,
        offset_sigma_steps=0.0 if reference else sigma,
        move_steps=round(offset),
        offset_um=offset * UM_PER_STEP,
        zone_steps=zone,
        action=action,
        reason=reason,
    )


def channel_row(name):
    """A colour camera's channel, counted from green."""
    offset = round(OFFSETS[name] - OFFSETS["G"], 3)
    return replace(
        offset_row(name),
        reference="G",
        sweeps=1,
        frames=11,
        offset_steps=offset,
        offset_sigma_steps=0.0 if name == "G" else 1.6,
        move_steps=round(offset),
        offset_um=offset * UM_PER_STEP,
    )


REFUSED_ROW = OffsetRow(
    filter="SII",
    reference="L",
    status="refused",
    sweeps=0,
    frames=0,
    stars=0,
    action="refocus",
    reason="The stars still shrink at the outer end: continue outward by about 150 steps.",
)


def colour_report():
    measured = list(OFFSETS)
    points = tuple(
        ColourPoint(
            filter=name,
            wavelength_nm=WAVELENGTHS[name],
            shift_steps=Estimate(OFFSETS[name] - 9.0, 1.4),
            shift_um=Estimate((OFFSETS[name] - 9.0) * UM_PER_STEP, 5.6),
            zone_steps=critical_focus_zone_um(WAVELENGTHS[name], FOCAL_RATIO) / UM_PER_STEP,
            zone_um=critical_focus_zone_um(WAVELENGTHS[name], FOCAL_RATIO),
            growth=float(np.hypot(FLOOR, SLOPE * (OFFSETS[name] - 9.0)) / FLOOR),
        )
        for name in measured
    )
    wavelength = np.linspace(440, 680, 61)
    return ColourReport(
        verdict="apart",
        reason="No position lies in the zone of all filters: OIII is 76 steps from the rest.",
        cause="glass",
        cause_reason="OIII focuses 341 um further out than its colour predicts, "
        "as 1.0 mm more glass would do.",
        compromise_steps=BEST + 9.0,
        points=points,
        odd_filters=(
            OddFilter(filter="OIII", shift_um=Estimate(341, 7), extra_glass_mm=Estimate(1.0, 0.02)),
        ),
        groups=(("R, G, B", "together"), ("L's whole band", "cannot tell")),
        secondary_spectrum=2000.0,
        curve_wavelength_nm=wavelength,
        curve_shift_steps=-9 + 0.0019 * (wavelength - 545) ** 2,
        curve_sigma_steps=np.full(wavelength.shape, 1.8),
    )


def setup():
    return Setup(
        telescope=Telescope(focal_length_mm=550.0, aperture_mm=100.0),
        focuser=Focuser(um_per_step=UM_PER_STEP),
    )


def set_row(name, old, new, change, **facts):
    """One filter of a comparison; offsets in steps."""
    both = old is not None and new is not None
    return SetRow(
        filter=name,
        reference="L",
        change=change,
        old_offset_steps=old,
        old_sigma_steps=None if old is None else 1.2,
        new_offset_steps=new,
        new_sigma_steps=None if new is None else 1.4,
        change_steps=new - old if both else None,
        change_sigma_steps=1.9 if both else None,
        change_um=UM_PER_STEP * (new - old) if both else None,
        significant=change == "changed" if both else None,
        zone_steps=8.0,
        old_move_steps=None if old is None else round(old),
        new_move_steps=None if new is None else round(new),
        update=change == "changed" if both else None,
        **facts,
    )
