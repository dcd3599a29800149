"""A simulated night written to a folder, with its truth beside the frames."""

import json
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path

from ..errors import InputError, OutputError
from ..frames.tables import PlannedExposure
from ..setup import Setup
from .frame_file import write_frame
from .night import Night, draw_night, simulate_night
from .planned import planned_night
from .scenarios import SCENARIOS
from .scene import Scene
from .truth import NightTruth

Progress = Callable[[int, int], None]
TRUTH_NAME = "truth.json"
SETUP_NAME = "setup.toml"


def write_night(
    folder: Path,
    night: Night,
    *,
    compressed: bool = True,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Draw a night and write its frames, its truth and its setup file.

    Parameters
    ----------
    folder : Path
        Made if it does not exist.
    night : Night
    compressed : bool
        Write tile-compressed ``.fits.fz`` files; else plain ``.fits``.
    overwrite : bool
        Whether frames of the same name may be replaced.
    progress : callable, optional
        Called with (frames drawn, frames in all).

    Returns
    -------
    tuple of Path
        All files written, frames first.
    """
    folder.mkdir(parents=True, exist_ok=True)
    ending = ".fits.fz" if compressed else ".fits"
    written = []
    for image, cards, name in draw_night(night):
        path = folder / f"{name}{ending}"
        write_frame(path, image, cards=cards, compressed=compressed, overwrite=overwrite)
        written.append(path)
        if progress is not None:
            progress(len(written), len(night.shots))
    texts = {TRUTH_NAME: truth_text(night.truth), SETUP_NAME: setup_text(night.scene)}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        written.append(folder / name)
    return tuple(written)


def write_practice_night(
    folder: Path,
    *,
    scenario: str,
    seed: int = 1,
    compressed: bool = True,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> NightTruth:
    """Write the practice night of a named scenario.

    Parameters
    ----------
    folder : Path
        New or empty, unless ``overwrite``.
    scenario : str
        A key of ``SCENARIOS``.
    seed : int
        Also counts the days from the scenario's date.
    compressed, overwrite, progress
        See `write_night`.

    Raises
    ------
    InputError
        If there is no such scenario.
    OutputError
        If the folder already holds files.
    """
    if scenario not in SCENARIOS:
        msg = f"there is no scenario '{scenario}'; choose one of {', '.join(SCENARIOS)}"
        raise InputError(msg)
    _check_empty(folder, overwrite=overwrite)
    chosen = SCENARIOS[scenario]
    # Another seed is another night, so that practice nights can be measured together.
    start = datetime.fromisoformat(chosen.plan.start) + timedelta(days=seed % 3650)
    plan = replace(chosen.plan, start=start.isoformat())
    night = simulate_night(chosen.scene, plan, seed=seed, styles=chosen.styles)
    write_night(folder, night, compressed=compressed, overwrite=overwrite, progress=progress)
    return night.truth


def write_planned_night(
    folder: Path,
    exposures: Sequence[PlannedExposure],
    setup: Setup,
    *,
    seed: int = 1,
    hfr_px: float | None = None,
    compressed: bool = True,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> NightTruth:
    """Write the practice night of a plan; see `planned_night`.

    Parameters
    ----------
    folder : Path
        New or empty, unless ``overwrite``.
    exposures, setup, seed, hfr_px
        See `planned_night`.
    compressed, overwrite, progress
        See `write_night`.

    Raises
    ------
    SetupError
        If the setup lacks what drawing needs.
    OutputError
        If the folder already holds files.
    """
    _check_empty(folder, overwrite=overwrite)
    night = planned_night(exposures, setup, seed=seed, hfr_px=hfr_px)
    write_night(folder, night, compressed=compressed, overwrite=overwrite, progress=progress)
    return night.truth


def _check_empty(folder: Path, *, overwrite: bool) -> None:
    taken = folder.exists() and not folder.is_dir()
    if taken or (folder.is_dir() and not overwrite and any(folder.iterdir())):
        msg = f"{folder}: is not an empty folder; name a new one for the practice frames"
        raise OutputError(msg)


def truth_text(truth: NightTruth) -> str:
    """The truth as JSON, numbers to four decimals."""
    return json.dumps(_rounded(asdict(truth)), indent=1) + "\n"


def setup_text(scene: Scene) -> str:
    """A setup file (TOML) for the scene, as its observer would write it.

    Filters carry their passband but not their glass, which observers seldom know.
    """
    lens, sensor, focuser = scene.lens, scene.sensor, scene.focuser
    outward = "increasing" if focuser.outward > 0 else "decreasing"
    lines = [
        "# SIMULATED, INVENTED: goes with the simulated frames of this folder.",
        "[telescope]",
        f"focal_length_mm = {lens.focal_length_mm}",
        f"aperture_mm = {lens.aperture_mm}",
        f"obstruction_mm = {lens.obstruction * lens.aperture_mm:.1f}",
        "",
        "[focuser]",
        f"um_per_step = {focuser.um_per_step}",
        f'outward = "{outward}"',
        "",
        "[camera]",
        f"pixel_um = {sensor.pixel_um}",
        f"gain_e_per_adu = {sensor.gain_e_per_adu}",
        f"read_noise_e = {sensor.read_noise_e}",
    ]
    for name, plate in scene.filters.items():
        middle, width = plate.passband_nm()
        lines += ["", f"[filters.{name}]", f"wavelength_nm = {middle:.1f}"]
        if width:
            lines += [f"bandwidth_nm = {width:.0f}"]
    return "\n".join(lines) + "\n"


def _rounded(value: object) -> object:
    """The same nested plain data with every float at four decimals."""
    if isinstance(value, float):
        return round(value, 4)
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(item) for item in value]
    return value
