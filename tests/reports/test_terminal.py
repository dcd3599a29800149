import html
import io
import re
from dataclasses import replace

import pytest
from rich.console import Console

from starsize.estimate import Estimate, Notice
from starsize.frames.frame import FrameFacts
from starsize.reports import print_found, print_measurements
from starsize.reports.words import open_questions, play_seen
from starsize.tracking.measured import FrameRadius

from .invented import NIGHT

RUNS = ["night", "night_without_step_size", "nothing_measured", "colour_camera"]


def screen(width=80, encoding="utf-8"):
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n")
    return Console(file=file, width=width, highlight=False)


def shown(console):
    console.file.flush()
    return console.file.buffer.getvalue().decode(console.file.encoding)


@pytest.mark.parametrize("width", [40, 60, 80, 120])
@pytest.mark.parametrize("name", RUNS)
def test_no_line_is_wider_than_the_screen_and_no_cell_is_cut(request, name, width):
    console = screen(width)
    run = request.getfixturevalue(name)
    print_found(run, console=console)
    text = shown(console)
    assert all(len(line) <= width for line in text.splitlines())
    assert "…" not in text
    for row in run.comparison.rows:
        if row.move_steps:
            assert f"{row.move_steps:+d}" in text


def test_it_tells_moves_verdict_and_warnings(night):
    console = screen()
    print_found(night, console=console)
    text = " ".join(shown(console).split())
    assert "R +12 out +12.3 ± 1.6 ±9.7 move" in text
    assert "No single focus position serves all colours: the glass of a filter is to blame." in text
    assert "To enter: L 0, R +12, G -1, B +20, Ha +15, OIII +85" in text
    assert "1 warning: - SII-1: the minimum is not inside the sweep." in text
    assert "SII: not measured, refocus there. The stars still shrink" in text


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "cp850", "cp1252", "latin-1"])
@pytest.mark.parametrize("name", RUNS)
def test_old_code_pages_show_everything(request, name, encoding):
    run = request.getfixturevalue(name)
    notice = Notice("odd", "the file Größe_α.fits lies ≥ 3 µm off")
    console = screen(encoding=encoding)
    print_found(replace(run, notices=(*run.notices, notice)), console=console)
    text = shown(console)
    assert "warning" in text
    if encoding == "ascii":
        assert "+- 1.6" in text or name == "nothing_measured"
        assert "3 um off" in text


def test_a_pipe_gets_no_colour_codes(night):
    console = screen()
    print_found(night, console=console)
    assert "\x1b" not in shown(console)


def test_square_brackets_are_text_not_markup(night):
    console = screen()
    print_found(replace(night, notices=(Notice("x", "the filter [red] is odd"),)), console=console)
    assert "[red]" in shown(console)


def test_nan_is_never_printed(night_without_step_size, nothing_measured):
    for run in (night_without_step_size, nothing_measured):
        console = screen()
        print_found(run, console=console)
        assert "nan" not in shown(console).lower().replace("finance", "").split()


def test_each_frame_has_its_line():
    facts = FrameFacts(path=NIGHT / "a.fits", position_steps=12_345.0)
    good = FrameRadius(
        facts=facts, radius_px=3.2101, radius_sigma_px=0.0123, n_stars=120, n_found=150,
        background_adu=812.4, elongation=1.08,
    )  # fmt: skip
    blank = FrameRadius(
        facts=replace(facts, path=NIGHT / "b.fits"), radius_px=float("nan"),
        radius_sigma_px=float("nan"), n_stars=0, reason="no star was found",
    )  # fmt: skip
    red = replace(good, channel="R")
    console = screen(120)
    print_measurements([good, blank, red], console=console)
    assert shown(console).splitlines() == [
        "a.fits: HFR 3.210 ± 0.012 px, 120 of 150 stars, background 812.4 ADU, elongation 1.08, "
        "at 12345 steps",
        "b.fits: No star was found.",
        "a.fits R: HFR 3.210 ± 0.012 px, 120 of 150 stars, background 812.4 ADU, elongation 1.08, "
        "at 12345 steps",
    ]


def test_play_that_sweeps_took_up_is_not_called_unanswered(night):
    fits = tuple(replace(fit, play_steps=Estimate(45.0, 1.0)) for fit in night.curves.fits)
    run = replace(night, curves=replace(night.curves, fits=fits))
    topics = {question.topic for question in open_questions(run)}
    assert "play of the focuser" not in topics
    assert play_seen(run)[0] == 45.0


def test_the_screen_promises_only_what_the_page_holds(night, pages):
    console = screen(200)
    print_found(night, console=console)
    (promise,) = re.findall(
        r"Not answered: .* The report page says what to capture", shown(console)
    )
    page = html.unescape(pages["night"])
    for question in open_questions(night):
        assert question.topic in promise
        assert question.capture in page


def test_names_from_files_cannot_steer_the_terminal(night):
    console = screen()
    print_found(replace(night, notices=(Notice("x", "a\x1b[2J\nb"),)), console=console)
    assert "\x1b" not in shown(console)
    assert "A?[2J?b" in shown(console) or "a?[2J?b" in shown(console)
