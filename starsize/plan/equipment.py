"""What a plan stands on: stated, read off test frames or an earlier result, or assumed."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from ..comparison.compared import Comparison, LensReport
from ..comparison.offsets.found import zones_in_steps
from ..comparison.offsets.terms import BACKLASH_BOUND_STEPS, COOLING_DEGC_PER_HOUR, REPEATS_UM
from ..curves.design import Outlook
from ..curves.fitted import CurveSet
from ..curves.statistics import PRIORS
from ..errors import InputError, SetupError
from ..filters import Band
from ..frames.tables import FRAME_OVERHEAD_S, SWEEP_OVERHEAD_S
from ..optics.star import USUAL_PIXEL_UM, Known, colour_terms
from ..setup import Setup, given_setup
from ..tracking.measured import FrameRadius, MeasuredSweep
from .planned import Assumed
from .positions import USUAL_LIGHT, Light

USUAL_FILTERS: Final = ("L", "R", "G", "B")
SEEING_ARCSEC: Final = 3.0
"""Full width at half maximum (common practice: 2 to 4 arcsec for amateurs)."""
NARROW_NM: Final = 6.0
"""Taken for a filter of which only the wavelength is known."""
RUN_IN: Final = 1.5
"""How far a sweep is run in, in units of the play."""
_ARCSEC: Final = math.pi / 180 / 3600
_OF_EVERY_NIGHT: Final = (
    Assumed(name="cooling", value=-COOLING_DEGC_PER_HOUR, unit="degC/h"),
    Assumed(name="time between exposures", value=FRAME_OVERHEAD_S, unit="s"),
    Assumed(name="filter change and run-in", value=SWEEP_OVERHEAD_S, unit="s"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scouted:
    """What test frames, or an earlier result, told; None where they could not.

    ``floor_px`` is the half-flux radius in focus; ``centre_steps`` says by filter where best focus
    lies, under "" for all others; ``steps_per_degC`` is value and sigma; ``colour_um`` of the lens
    is as `curves.design.Outlook` has it.

    Examples
    --------
    >>> from starsize import Setup, plan_capture
    >>> from starsize.setup import Focuser, Telescope
    >>> scope = Telescope(focal_length_mm=480.0, aperture_mm=87.0)
    >>> told = Scouted(centre_steps={"L": 12000.0, "R": 12012.0, "": 12000.0})
    >>> setup = Setup(telescope=scope, focuser=Focuser(um_per_step=4.0))
    >>> plan_capture(setup, told=told).centre_steps
    {'L': 12000, 'R': 12012}
    """

    floor_px: float | None = None
    light: Light | None = None
    centre_steps: Mapping[str, float] = field(default_factory=dict)
    um_per_step: float | None = None
    jitter: float | None = None
    steps_per_degC: tuple[float, float] | None = None
    colour_um: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equipment:
    """All numbers of a plan, and which of them are assumed; ``filters`` has the reference first."""

    setup: Setup
    filters: tuple[str, ...]
    zone_steps: Mapping[str, float]
    light: Light
    exposure_s: Mapping[str, float]
    centre_steps: Mapping[str, float]
    run_in_steps: int
    outlook: Outlook
    assumed: tuple[Assumed, ...]


def frames_told(frames: Sequence[FrameRadius], bands: Mapping[str, Band]) -> Scouted:
    """What test frames told, the sharpest taken to be in focus; ``InputError`` without one."""
    best = _sharpest(frames)
    if best is None:
        why = next((f.reason for f in frames if f.reason), "there is none")
        raise InputError(
            f"none of the test frames can be measured ({why}); take one in focus, with stars"
        )
    place = best.facts.position_steps
    return Scouted(
        floor_px=best.radius_px,
        light=_light_of(best, bands),
        centre_steps={} if place is None else {"": place},
    )


def _sharpest(frames: Iterable[FrameRadius]) -> FrameRadius | None:
    measured = (f for f in frames if f.reason is None and math.isfinite(f.radius_px))
    return min(measured, key=lambda f: f.radius_px, default=None)


def result_told(
    curves: CurveSet,
    comparison: Comparison,
    measured: Sequence[MeasuredSweep],
    *,
    bands: Mapping[str, Band],
) -> Scouted:
    """What an earlier result told; ``InputError`` if no sweep of it has an answer."""
    mine = [fit for fit in curves.answered if fit.curve.filter == comparison.reference]
    if not mine:
        raise InputError(
            f"no sweep of {comparison.reference} in that result has a best focus to plan from"
        )
    fit = min(mine, key=lambda fit: fit.best_sigma_steps)
    best = _sharpest(f for sweep in measured if sweep.id == fit.curve.id for f in sweep.frames)
    rows = comparison.rows
    centres = {row.filter: at for row in rows if (at := row.best_focus_steps) is not None}
    size, found = comparison.focuser.um_per_step, comparison.temperature
    warm = found.steps_per_degC
    return Scouted(
        floor_px=fit.floor_px.value,
        light=_light_of(best, bands) if best else None,
        centre_steps={**centres, "": centres.get(comparison.reference, fit.best_steps)},
        um_per_step=size.value if size else None,
        jitter=fit.jitter,
        steps_per_degC=(warm.value, warm.sigma) if warm and found.source == "frames" else None,
        colour_um=colour_of(comparison.colour.lens),
    )


def colour_of(lens: LensReport | None) -> tuple[float, float, float] | None:
    """Terms of the lens' colour, micrometres, as its curve has them."""
    if lens is None:
        return None
    basis = colour_terms(1e-3 * lens.wavelength_nm).T
    return tuple(np.linalg.lstsq(basis, lens.shift_um, rcond=None)[0].tolist())


def equip(
    setup: Setup,
    *,
    filters: Sequence[str] = (),
    reference: str | None = None,
    position_steps: float | None = None,
    hfr_px: float | None = None,
    told: Scouted | None = None,
) -> Equipment:
    """Put the numbers of a plan together; see `plan_capture`."""
    told, assumed = told or Scouted(), _Assumed()
    known = _completed(given_setup(setup), told, hfr_px, assumed)
    swept = tuple(name for name in told.centre_steps if name)
    names = _filters(known, filters or tuple(known.filters) or swept, reference, assumed)
    bands, light, scope = _bands(known, names, assumed), told.light, known.telescope
    if light is None:
        light = USUAL_LIGHT
        assumed.take("stars in 3 s through 300 nm", light.stars)
    if told.colour_um is None and not scope.obstruction:
        # What it costs is not known beforehand: of an achromat B came out with 1.4 times the
        # uncertainty planned (scripts/results/plan.md). Mirrors have none.
        assumed.take("colour of the lens", "none")
    centres = _centres(names, position_steps, told, assumed)
    telescope = Known(
        focal_ratio=scope.focal_ratio, pixel_um=known.camera.pixel_um,
        um_per_step=known.focuser.um_per_step, obstruction=scope.obstruction,
    )  # fmt: skip
    jitter, floor_px = told.jitter, hfr_px or told.floor_px
    if floor_px is None:
        seeing = assumed.take("seeing", SEEING_ARCSEC, "arcsec")
        floor_px = _floor_px(telescope, seeing * _ARCSEC * 1e3 * (scope.focal_length_mm or 0.0))
    if jitter is None or not math.isfinite(jitter):
        jitter = PRIORS.jitter
        assumed.take("scatter of the seeing from frame to frame", 100 * jitter, "%")
    exposure_s = {name: light.exposure_s(bands[name].width_nm) for name in names}
    stated = known.focuser.backlash_steps
    play = BACKLASH_BOUND_STEPS if stated is None else stated
    return Equipment(
        setup=known,
        filters=names,
        zone_steps=zones_in_steps(names, known),
        light=light,
        exposure_s=exposure_s,
        centre_steps=centres,
        run_in_steps=max(math.ceil(RUN_IN * play), 1),
        outlook=Outlook(
            telescope=telescope,
            floor_px=floor_px,
            star_noise={n: light.noise(exposure_s[n] * bands[n].width_nm) for n in names},
            bands=bands,
            colour_um=told.colour_um or (0.0, 0.0, 0.0),
            jitter=jitter,
        ),
        assumed=(*assumed, *_OF_EVERY_NIGHT),
    )


class _Assumed(list[Assumed]):
    """What was assumed, in order."""

    def take(self, name: str, value: Any, unit: str = "") -> Any:
        """Assume a value that nobody stated."""
        self.append(Assumed(name=name, value=value, unit=unit))
        return value


def _completed(setup: Setup, told: Scouted, hfr_px: float | None, assumed: _Assumed) -> Setup:
    """The setup with assumed numbers in place of what lacks."""
    scope, focuser, camera = setup.telescope, setup.focuser, setup.camera
    step = focuser.um_per_step or told.um_per_step
    needs = {
        "focal_length_mm under [telescope]": scope.focal_length_mm,
        "aperture_mm under [telescope]": scope.aperture_mm,
        "um_per_step under [focuser]": step,
    }
    lacks = [name for name, value in needs.items() if value is None]
    if lacks or step is None:
        msg = f"a plan needs {' and '.join(lacks)} in the setup file"
        if step is None:
            msg += (
                "; the step size stands in the focuser's papers, or 'starsize offsets' finds it "
                "from any sweep: plan --from its result folder"
            )
        raise SetupError(msg)
    if camera.pixel_um is None:
        if hfr_px is not None or told.floor_px is not None:
            raise SetupError("a radius in pixels needs pixel_um under [camera] in the setup file")
        camera = replace(camera, pixel_um=assumed.take("pixel", USUAL_PIXEL_UM, "um"))
    if focuser.backlash_steps is None:
        assumed.take("play, at most", BACKLASH_BOUND_STEPS, "steps")
    if focuser.repeatability_steps is None:
        assumed.take("scatter from sweep to sweep", REPEATS_UM / step, "steps")
    if focuser.steps_per_degC is None and told.steps_per_degC is not None:
        value, sigma = told.steps_per_degC
        focuser = replace(focuser, steps_per_degC=value, steps_per_degC_sigma=sigma)
    return replace(setup, focuser=replace(focuser, um_per_step=step), camera=camera)


def _filters(
    setup: Setup, asked: Sequence[str], reference: str | None, assumed: _Assumed
) -> tuple[str, ...]:
    """Filters to sweep, the reference first; the usual ones where none are named."""
    if setup.camera.bayer not in ("header", "none"):
        raise InputError(
            "a colour camera takes all its colours at once and needs no plan: one sweep of 9 to 11 "
            "positions answers (README, What to capture)"
        )
    names = list(dict.fromkeys(asked or USUAL_FILTERS))
    if not asked:
        assumed.take("filters", ", ".join(names))
    first = reference or ("L" if "L" in names else names[0])
    if first not in names:
        raise InputError(f"the reference '{first}' is not among the filters: {', '.join(names)}")
    if len(names) < 2:
        raise InputError(
            f"offsets need two filters at least; only {names[0]} is named (--filters L,R,G,B)"
        )
    return (first, *(name for name in names if name != first))


def _bands(setup: Setup, names: Sequence[str], assumed: _Assumed) -> dict[str, Band]:
    bands = setup.bands(names)
    for name in names:
        if name not in bands:
            raise SetupError(
                f"the wavelength of the filter '{name}' is not known: state wavelength_nm and "
                f"bandwidth_nm under [filters.{name}] in the setup file"
            )
        if bands[name].width_nm <= 0:
            width = assumed.take(f"bandwidth of {name}", NARROW_NM, "nm")
            bands[name] = replace(bands[name], width_nm=width)
    return bands


def _centres(
    names: Sequence[str], stated: float | None, told: Scouted, assumed: _Assumed
) -> dict[str, float]:
    """Where best focus is expected: as an earlier result has it, moved to the place stated."""
    usual = told.centre_steps.get("")
    if stated is None:
        stated = assumed.take("position of best focus", 0.0, "steps") if usual is None else usual
    anchor = told.centre_steps.get(names[0], usual)
    if anchor is None:
        return dict.fromkeys(names, stated)
    return {name: stated + (told.centre_steps.get(name, anchor) - anchor) for name in names}


def _floor_px(telescope: Known, seeing_um: float) -> float:
    """Half-flux radius in focus: 0.57 widths of turbulence, 0.53 lambda N at 550 nm."""
    pixel_um = telescope.pixel_um or USUAL_PIXEL_UM
    return float(
        np.hypot(0.57 * seeing_um / pixel_um, 0.53 * 0.55 * telescope.diffraction_px_per_um)
    )


def _light_of(frame: FrameRadius, bands: Mapping[str, Band]) -> Light | None:
    band, exposure = bands.get(frame.facts.filter or ""), frame.facts.exposure_s
    if band is None or not exposure or band.width_nm <= 0 or frame.n_stars < 1:
        return None
    noise = frame.radius_sigma_px / frame.radius_px
    return Light(light_nm_s=exposure * band.width_nm, stars=frame.n_stars, noise_in_it=noise)
