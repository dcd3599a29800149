"""The page in a browser, where Chromium is installed: nobody shut out, nothing cut off."""

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from starsize.reports import report_html
from starsize.tracking import Filmstrip

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
pytest.importorskip("axe_core_python")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

AXE = """
axe.run().then(found => {
  const told = document.createElement("pre");
  told.id = "told";
  told.textContent = JSON.stringify(found.violations.map(v => [v.id, v.impact, v.nodes.length]));
  document.body.replaceChildren(told);
});
"""
WIDTHS = """
<iframe src="page.html" style="width:%dpx;height:2000px;border:0"></iframe><pre id="told"></pre>
<script>
onload = () => {
  const page = document.querySelector("iframe").contentDocument.documentElement;
  const widths = [page.scrollWidth, page.clientWidth];
  document.querySelector("#told").textContent = JSON.stringify(widths);
};
</script>
"""


@pytest.fixture(scope="module")
def page(night, tmp_path_factory):
    """The invented night with strips of stars, written to a folder."""
    strips = tuple(
        Filmstrip(
            pictures=tuple(np.full((15, 15), 100.0, np.float32) for _ in one.frames),
            radius_px=np.ones(len(one.frames)), x_px=10.0, y_px=10.0,
        )
        for one in night.measured
    )  # fmt: skip
    path = tmp_path_factory.mktemp("browser") / "page.html"
    path.write_text(report_html(replace(night, strips=strips)), "utf-8")
    return path


def browse(path, *options):
    """What the browser says of a page: its last contents, and what went to the console."""
    call = [
        CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
        "--allow-file-access-from-files", "--enable-logging=stderr", "--virtual-time-budget=60000",
        "--dump-dom", *options, path.as_uri(),
    ]  # fmt: skip
    done = subprocess.run(call, capture_output=True, text=True, check=True, timeout=300)
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return done.stdout, console


def told(dom):
    (text,) = re.findall(r'<pre id="told">(.*?)</pre>', dom, re.DOTALL)
    return json.loads(html.unescape(text))


def with_axe(path, text):
    axe = resources.files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
    scripts = f"<script>{axe.replace('</script>', '<!-- -->')}</script><script>{AXE}</script>"
    path.write_text(text.replace("</body>", f"{scripts}</body>"), "utf-8")
    return path


@pytest.mark.parametrize("options", [(), ("--blink-settings=preferredColorScheme=0",)])
def test_axe_finds_nothing_that_keeps_people_out(page, options):
    """axe-core, the rules of WCAG 2.1 and good practice; on the light and on the dark page."""
    watched = with_axe(page.with_name("watched.html"), page.read_text("utf-8"))
    assert told(browse(watched, *options)[0]) == []


def test_axe_would_have_seen_a_picture_without_words(page):
    spoiled = re.sub(r'alt="[^"]*"', "", page.read_text("utf-8"), count=1)
    watched = with_axe(page.with_name("spoiled.html"), spoiled)
    assert ["image-alt", "critical", 1] in told(browse(watched)[0])


@pytest.mark.parametrize("width", [390, 660, 920, 1010])
def test_nothing_leaves_the_screen_of_a_phone_a_tablet_or_a_small_window(page, width):
    frame = page.with_name("frame.html")
    frame.write_text(f"<!doctype html>{WIDTHS % width}", "utf-8")
    wanted, there = told(browse(frame, "--window-size=1400,2200")[0])
    assert width - 30 <= there <= width
    assert wanted <= there


def test_the_console_stays_silent(page):
    assert browse(page)[1] == []
