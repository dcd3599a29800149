"""One file of results in sections, each written by the script that measured it."""

import re
import subprocess
from pathlib import Path

RESULTS = Path(__file__).parent / "results"
RESULT = RESULTS / "focuser_trials.md"
HEADS = {
    "focuser_trials": "# Focuser, temperature and field",
    "spoiled": "# Spoiled files, killed runs",
    "bench": "# Cost of the whole job",
    "colour": "# Colour verdicts",
    "plan": "# Do plans keep what they promise?",
    "packages": "# Packages and Pythons",
    "trial_nights": "# Whole nights as people have them",
    "doughnut_sweeps": "# Sweeps and frames made of real doughnuts",
    "outside_nights": "# Random nights drawn by another library",
}


def commit() -> str:
    """The commit that is checked out."""
    return subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True, text=True, check=False, cwd=RESULTS,
    ).stdout.strip()  # fmt: skip


def write_section(title: str, body: str, *, script: str, file: Path = RESULT) -> None:
    """Write a section, or put it in the place of the one of the same title."""
    text = file.read_text("utf-8") if file.exists() else HEADS.get(file.stem, "# Results")
    sections = re.split(r"\n(?=## )", text.rstrip())
    fresh = f"## {title}\n\n`{script}`, at commit {commit()}.\n\n{body}\n"
    kept = [s.rstrip() + "\n" for s in sections]
    places = [i for i, s in enumerate(kept) if s.startswith(f"## {title}\n")]
    if places:
        kept[places[0]] = fresh
    else:
        kept.append(fresh)
    RESULTS.mkdir(exist_ok=True)
    file.write_text("\n".join(kept), encoding="utf-8")
