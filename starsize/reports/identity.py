"""What tells one page from another: telescope, camera, night, folder, version."""

import os
from datetime import timedelta
from pathlib import Path

from .. import __version__
from ..errors import printable
from .numbers import MJD_ZERO
from .result import RunResult


def identity(result: RunResult) -> list[str]:
    """Telescope, camera, evening, folder and version, as far as they are known."""
    scope = result.setup.telescope
    focal, ratio = scope.focal_length_mm, scope.focal_ratio
    facts = [file.facts for file in result.files if file.usable and file.facts]
    cameras = sorted({one.camera for one in facts if one.camera})
    optics = [f"{focal:g} mm" + (f" f/{ratio:.3g}" if ratio else "")] if focal else []
    return [
        *optics,
        *cameras,
        *_evening([one.mid_time_mjd for one in facts if one.mid_time_mjd is not None]),
        *_folder(result),
        f"starsize {__version__}",
    ]


def _evening(times: list[float]) -> list[str]:
    """The evening before and the morning after, in UTC."""
    if not times:
        return []
    first, last = (MJD_ZERO + timedelta(days=day) for day in (min(times), max(times)))
    dates = list(dict.fromkeys(f"{day:%Y-%m-%d}" for day in (first, last)))
    return ["night of " + " to ".join(dates)]


def _folder(result: RunResult) -> list[str]:
    """The folder's own name, and no path of the machine."""
    parents = [str(file.path.absolute().parent) for file in result.files]
    try:
        name = Path(os.path.commonpath(parents)).name
    except ValueError:  # no files, or two drives
        return []
    return [f"folder {printable(name)}"] if name else []
