"""Draw the pictures of the README anew from the invented demo night.

    python scripts/make_pictures.py

Measures the night and writes report.png, stars.png (both need Chromium) and terminal.svg into
scripts/results/.
"""

import io
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from rich.console import Console

import starsize
from starsize.reports import print_found, report_html

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "testdata" / "demo_night"
RESULTS = ROOT / "scripts" / "results"
#: Sections shown: all from the top, or only the one with the strips of stars.
STARS_ONLY = "header, section:not(:has(.strip)) { display: none } main { padding: 0 1rem }"


def main() -> int:
    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if browser is None:
        print("Chromium is needed for two of the pictures; install it and try again")
        return 2
    result = starsize.measure_offsets([DEMO], setup=starsize.load_setup(DEMO / "setup.toml"))
    (RESULTS / "terminal.svg").write_text(terminal(result), "utf-8")
    page = report_html(result)
    photograph(browser, page, RESULTS / "report.png", size="1000,900")
    stars = page.replace("</style>", f"{STARS_ONLY}</style>")
    photograph(browser, stars, RESULTS / "stars.png", size="1000,500")
    print(f"written to {RESULTS.relative_to(ROOT)}: report.png, stars.png, terminal.svg")
    return 0


def terminal(result: starsize.RunResult) -> str:
    console = Console(record=True, width=84, file=io.StringIO(), force_terminal=True)
    print_found(result, console=console)
    drawn = console.export_svg(title="starsize offsets testdata/demo_night", unique_id="demo")
    # The fonts it would fetch from elsewhere: any typewriter face does.
    return re.sub(r"@font-face \{.*?\}\s*", "", drawn, flags=re.DOTALL)


def photograph(browser: str, page: str, picture: Path, *, size: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "page.html")
        path.write_text(page, "utf-8")
        subprocess.run(
            [
                browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
                "--disable-background-networking", f"--screenshot={picture}",
                f"--window-size={size}", path.as_uri(),
            ],
            check=True, capture_output=True,
        )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
