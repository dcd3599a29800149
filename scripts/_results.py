"""One file of results in sections, each written by the script that measured it."""

import re
import subprocess
from pathlib import Path

RESULT = Path(__file__).parent / "results" / "focuser_trials.md"
HEAD = "# Focuser, temperature and field"


def write_section(
    title: str, body: str, *, script: str, into: Path = RESULT, head: str = HEAD
) -> None:
    """Write a section, or put it in the place of the one of the same title."""
    commit = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        capture_output=True, text=True, check=False, cwd=into.parent,
    ).stdout.strip()  # fmt: skip
    text = into.read_text("utf-8") if into.exists() else head
    sections = re.split(r"\n(?=## )", text.rstrip())
    fresh = f"## {title}\n\n`{script}`, at commit {commit}.\n\n{body}\n"
    kept = [s.rstrip() + "\n" for s in sections]
    places = [i for i, s in enumerate(kept) if s.startswith(f"## {title}\n")]
    if places:
        kept[places[0]] = fresh
    else:
        kept.append(fresh)
    into.write_text("\n".join(kept), encoding="utf-8")
