"""An invented night, built by hand: every layer's result without running a layer."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.comparison.compared import (
    ColourReport,
    Comparison,
    FocuserHealth,
    TemperatureTerm,
)
from starsize.comparison.sets import SetComparison
from starsize.curves.fitted import CurveSet
from starsize.estimate import Estimate, Notice
from starsize.frames.frame import InputFile
from starsize.reports import RunResult, report_html
from starsize.setup import Setup

from .invented import (
    BEST,
    NIGHT,
    OFFSETS,
    REFUSED_ROW,
    SLOPE,
    channel_row,
    colour_report,
    facts,
    good_fit,
    measured_of,
    measured_sweep,
    offset_row,
    refused_fit,
    refused_sweep,
    set_row,
    setup,
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
    row = replace(REFUSED_ROW, reference="SII")
    comparison = Comparison(
        reference="SII",
        rows=(row,),
        filters=(),
        covariance_steps2=np.zeros((0, 0)),
        colour=ColourReport(verdict="cannot tell", reason="No filter was measured."),
        temperature=TemperatureTerm(),
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
