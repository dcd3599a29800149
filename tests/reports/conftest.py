"""An invented night, built by hand: every layer's result without running a layer."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from starsize.comparison.compared import (
    ColourPoint,
    ColourReport,
    Comparison,
    FocuserHealth,
    OddFilter,
    OffsetRow,
    TemperatureTerm,
)
from starsize.comparison.compared_sets import SetComparison, SetRow
from starsize.curves.curve import FocusCurve
from starsize.curves.fitted import CurveFit, CurveSet
from starsize.estimate import Estimate, Notice
from starsize.frames.frame import FrameFacts, InputFile, Sweep
from starsize.optics import critical_focus_zone_um
from starsize.reports import RunResult, report_html
from starsize.setup import Focuser, Setup, Telescope
from starsize.stars.measured import FrameRadius, MeasuredSweep, StarTracks

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


@pytest.fixture(scope="session")
def night():
    """Seven filters, L three times, SII refused, one wrecked frame, a dark among the files."""
    plan = (
        ("L-1", 0, 9.1),
        ("R-1", 25, 8.6),
        ("G-1", 50, 8.2),
        ("L-2", 75, 7.8),
        ("B-1", 100, 7.3),
        ("Ha-1", 118, 6.9),
        ("OIII-1", 135, 6.5),
        ("L-3", 170, 6.0),
    )
    measured, fits = [], []
    for seed, (name, minutes, temperature) in enumerate(plan):
        band = name.partition("-")[0]
        one = measured_sweep(name, band, start_minutes=minutes, temperature=temperature, seed=seed)
        best = BEST + OFFSETS[band] - 6 * (temperature - 8.0)
        wrecked = (7,) if name == "R-1" else ()
        if wrecked:
            frames = list(one.frames)
            frames[7] = replace(frames[7], radius_px=1.5 * frames[7].radius_px)
            one = measured_of(one.sweep, band, frames, name=name)
        measured.append(one)
        fits.append(good_fit(one, best=best, wrecked=wrecked))
    measured.append(refused_sweep())
    fits.append(refused_fit(measured[-1]))
    files = [InputFile(f.facts.path, f.facts) for m in measured for f in m.frames]
    dark = facts(
        "dark_01.fits", band=None, position=None, temperature=6.0, minutes=200, kind="dark"
    )
    files.append(InputFile(dark.path, dark, "It is a dark frame, not a light frame."))
    files.append(InputFile(NIGHT / "notes.txt", None, "It is not a FITS file."))
    rows = (
        *(offset_row(name) for name in ("L", "R", "G", "B", "Ha")),
        REFUSED_ROW,
        offset_row("OIII"),
    )
    k = 6
    covariance = np.full((k, k), 1.2) + np.diag(np.full(k, 1.36))
    covariance[0] = covariance[:, 0] = 0.0
    comparison = Comparison(
        reference="L",
        rows=rows,
        filters=tuple(OFFSETS),
        covariance_steps2=covariance,
        half95_steps=(0.0, 3.4, 3.4, 3.4, 3.4, 3.4),
        colour=colour_report(),
        temperature=TemperatureTerm(
            steps_per_degC=Estimate(-6.0, 0.4), source="frames", range_degC=3.1, reference_degC=7.5
        ),
        focuser=FocuserHealth(
            um_per_step=Estimate(4.0),
            um_per_step_source="setup",
            backlash_steps=None,
            repeatability_steps=Estimate(0.9, 0.5),
            slips=(),
        ),
        birge_ratio=1.04,
        notices=(Notice("sweep_refused", "SII-1: the minimum is not inside the sweep."),),
    )
    return RunResult(
        setup=setup(),
        files=tuple(files),
        sweeps=tuple(m.sweep for m in measured),
        measured=tuple(measured),
        curves=CurveSet(
            fits=tuple(fits),
            covariance_steps2=np.diag(np.full(8, 1.21)),
            slope_px_per_step=Estimate(SLOPE, 0.0001),
        ),
        comparison=comparison,
        notices=comparison.notices,
    )


@pytest.fixture(scope="session")
def night_without_step_size(night):
    """The same night where nobody knows the size of a step."""
    rows = tuple(replace(row, offset_um=None, zone_steps=None) for row in night.comparison.rows)
    colour = night.comparison.colour
    points = tuple(
        replace(p, shift_um=None, zone_steps=None, zone_um=None, growth=None) for p in colour.points
    )
    colour = replace(
        colour,
        verdict="cannot tell",
        cause=None,
        cause_reason="",
        odd_filters=(),
        points=points,
        groups=(),
        secondary_spectrum=None,
        reason="The size of a focuser step is not known, so the zones are not known either.",
    )
    comparison = replace(
        night.comparison, rows=rows, colour=colour, focuser=FocuserHealth(), birge_ratio=None
    )
    return replace(night, setup=Setup(), comparison=comparison)


@pytest.fixture(scope="session")
def nothing_measured():
    """Five frames on one side of focus: nothing can be answered."""
    measured = refused_sweep()
    fit = refused_fit(measured)
    empty = np.zeros(0)
    row = replace(REFUSED_ROW, reference="SII")
    comparison = Comparison(
        reference="SII",
        rows=(row,),
        filters=(),
        covariance_steps2=np.zeros((0, 0)),
        colour=ColourReport(
            verdict="cannot tell",
            reason="No filter was measured.",
            curve_wavelength_nm=empty,
            curve_shift_steps=empty,
            curve_sigma_steps=empty,
        ),
        temperature=TemperatureTerm(
            steps_per_degC=None, source="none", range_degC=None, reference_degC=None
        ),
        focuser=FocuserHealth(),
    )
    return RunResult(
        setup=Setup(),
        files=tuple(InputFile(f.facts.path, f.facts) for f in measured.frames),
        sweeps=(measured.sweep,),
        measured=(measured,),
        curves=CurveSet(fits=(fit,), covariance_steps2=np.zeros((0, 0))),
        comparison=comparison,
        notices=(Notice("nothing_measured", "No sweep gave a best focus."),),
    )


@pytest.fixture(scope="session")
def colour_camera(night):
    """One sweep of a colour camera: three channels of the same files."""
    base = measured_sweep("colour-1", "colour", start_minutes=0, temperature=8.0, seed=4)
    sweep = replace(base.sweep, filter="colour")
    measured = tuple(
        measured_of(
            sweep,
            channel,
            [replace(f, radius_px=f.radius_px * factor) for f in base.frames],
            name=f"colour-1-{channel}",
        )
        for channel, factor in (("R", 1.02), ("G", 1.0), ("B", 1.1))
    )
    fits = tuple(good_fit(m, best=BEST + OFFSETS[m.filter]) for m in measured)
    rows = tuple(channel_row(name) for name in "RGB")
    comparison = replace(
        night.comparison,
        reference="G",
        rows=rows,
        filters=("G", "R", "B"),
        covariance_steps2=np.diag([0.0, 2.0, 2.0]),
        half95_steps=(0.0, 3.4, 3.4),
        notices=(),
    )
    return replace(
        night,
        files=tuple(InputFile(f.facts.path, f.facts) for f in base.frames),
        sweeps=(sweep,),
        measured=measured,
        curves=CurveSet(fits=fits, covariance_steps2=np.diag([1.2, 1.2, 1.2])),
        comparison=comparison,
        notices=(),
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


@pytest.fixture(scope="session")
def two_sets():
    """An old filter set against a new one in which OIII is no longer too thick."""
    return SetComparison(
        old_name="old-glass",
        new_name="new-glass",
        reference="L",
        verdict="changed",
        verdict_reason="update the moves of R, OIII",
        parfocal="together",
        parfocal_reason="one focus position lies inside the zone of all 4 filters",
        rows=(
            set_row("R", 12.3, 3.1, "changed", parfocal="together", reason="-9.2 +- 3.7 steps"),
            set_row("G", -1.4, -1.0, "unchanged", parfocal="together"),
            set_row("OIII", 85.1, 2.2, "changed", parfocal="together", reason="-82.9 +- 3.7 steps"),
            set_row("SII", None, 4.0, "only in new", reason="SII was not measured in old-glass"),
        ),
        notices=(Notice("temperatures_differ", "the two runs are 9 degC apart"),),
    )


@pytest.fixture(scope="session")
def pages(night, night_without_step_size, nothing_measured, colour_camera):
    """The page of each run, drawn once."""
    return {
        "night": report_html(night),
        "night_without_step_size": report_html(night_without_step_size),
        "nothing_measured": report_html(nothing_measured),
        "colour_camera": report_html(colour_camera),
    }
