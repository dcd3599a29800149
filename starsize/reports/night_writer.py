"""A night as files: table, document and page."""

from pathlib import Path
from typing import Any, Final

from ..estimate import Estimate
from ..night import NightResult
from .document import plain
from .folder import FileSet, write_folder
from .night_page import night_html
from .night_words import CAUSE_WORDS, frame_reason, night_headline
from .numbers import time_text
from .tables import csv_text

NIGHT_FILES: Final = FileSet(
    ("night.csv", "night.html", "night.json"), "night.json", "starsize-night"
)

#: Name and order of the columns of night.csv.
NIGHT_COLUMNS: Final = (
    "file", "time_utc", "filter", "position_steps", "temperature_degC", "hfr_px", "hfr_sigma_px",
    "shape", "shape_sigma", "stars", "elongation", "background_adu", "state", "cause",
    "probability_lost", "growth", "growth_sigma", "defocus_steps", "defocus_sigma_steps", "reason",
    "side_known", "defocus_zones", "defocus_sigma_zones", "elongation_angle_deg",
    "altitude_deg",
)  # fmt: skip
_SIGMAS: Final = {
    "hfr_px": "hfr_sigma_px", "shape": "shape_sigma", "growth": "growth_sigma",
    "defocus_steps": "defocus_sigma_steps", "defocus_zones": "defocus_sigma_zones",
}  # fmt: skip


def night_rows(result: NightResult) -> list[dict[str, Any]]:
    """The rows of night.csv as plain data; numbers that are not known are NaN."""
    return [_row(result, k) for k in range(len(result.exposures))]


def night_document(result: NightResult) -> dict[str, Any]:
    """A night as plain data.

    ``frames`` are the rows of night.csv.
    """
    rule, equipment = result.rule, result.equipment
    zone = equipment.zone_steps
    rate = Estimate(result.coefficient.value * zone, result.coefficient.sigma * zone)
    states = [frame.state for frame in result.frames]
    document = {
        "schema": NIGHT_FILES.schema,
        "summary": {
            "text": night_headline(result),
            **{s: states.count(s) for s in ("held", "lost", "unclear")},
        },
        "growth_limit": result.limit,
        "frames": night_rows(result),
        "filters": [
            {
                "filter": one.filter,
                "frames": one.frames,
                "offset_change_steps": Estimate(
                    one.change_zones * zone, one.change_sigma_zones * zone
                ),
                "side_known": one.side_known,
                "agrees": one.agrees,
            }
            for one in result.offsets
        ],
        "course": {
            "steps_per_degC": rate if result.by_degree else None,
            "steps_per_hour": None if result.by_degree else rate,
            # Of temperature, time and altitude at once, what the night tells apart.
            "together": {
                f"steps_per_{way.goes_with}": Estimate(
                    way.per_unit.value * zone, way.per_unit.sigma * zone
                )
                for way in result.ways
            },
        },
        "rule": rule and {**plain(rule), "limit_steps": rule.limit_zones * zone},
        "telescope": {
            "from_sweeps": equipment.learnt,
            "field_zones": None if equipment.field is None else equipment.field.zones,
            "zone_steps": zone,
            "reference": equipment.reference or None,
        },
        "unused": [{"file": file.path.name, "reason": file.reason} for file in result.unused],
        "warnings": result.notices,
    }
    cleaned: dict[str, Any] = plain(document)
    return cleaned


def night_csv(result: NightResult) -> str:
    """``night.csv``: a row a frame."""
    rows = (
        row | {"probability_lost": f"{row['probability_lost']:.4f}"} for row in night_rows(result)
    )
    return csv_text(NIGHT_COLUMNS, rows, {**_SIGMAS, **dict.fromkeys(_SIGMAS.values(), 6)})


def write_night_result(
    result: NightResult, out: Path | str, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write night.csv, night.html and night.json, each whole or not at all.

    The same care as ``write_results`` takes.
    """
    texts = {"night.csv": night_csv(result), "night.html": night_html(result)}
    return write_folder(Path(out), texts, NIGHT_FILES, night_document(result), overwrite=overwrite)


def _row(result: NightResult, k: int) -> dict[str, Any]:
    one, frame, zone = result.exposures[k], result.frames[k], result.equipment.zone_steps
    own = {
        "time_utc": time_text(one.time_mjd),
        "cause": CAUSE_WORDS[result.causes[k]],
        "defocus_steps": frame.defocus_zones * zone,
        "defocus_sigma_steps": frame.defocus_sigma_zones * zone,
        "reason": frame_reason(result, k),
    }
    return {
        name: own[name] if name in own else getattr(one if hasattr(one, name) else frame, name)
        for name in NIGHT_COLUMNS
    }
