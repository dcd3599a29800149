"""What the setup lacks comes from the headers, and contradictions are told."""

from dataclasses import replace
from pathlib import Path

import pytest

from starsize import complete_setup
from starsize.frames import FrameFacts, InputFile
from starsize.setup import Camera, Focuser, Setup, Telescope


def files(*facts, **common):
    return tuple(
        InputFile(Path("a.fits"), FrameFacts(path=Path("a.fits"), **common, **own)) for own in facts
    )


def test_headers_fill_what_is_missing():
    one = {"focal_length_mm": 550.0, "aperture_mm": 100.0, "pixel_um": 3.76, "um_per_step": 4.0,
           "gain_e_per_adu": 0.25, "read_noise_e": 1.5, "saturation_adu": 65535.0}  # fmt: skip
    setup, notices = complete_setup(Setup(), files(one, one, {}))
    assert notices == ()
    assert setup.telescope == Telescope(focal_length_mm=550.0, aperture_mm=100.0)
    assert setup.focuser.um_per_step == 4.0
    assert setup.camera == Camera(
        pixel_um=3.76, gain_e_per_adu=0.25, read_noise_e=1.5, saturation_adu=65535.0
    )


def test_silent_headers_leave_the_setup_as_it_is():
    setup = Setup(focuser=Focuser(um_per_step=4.0))
    assert complete_setup(setup, files({}, {})) == (setup, ())
    assert complete_setup(setup, ()) == (setup, ())


def test_the_setup_wins_and_says_so():
    stated = Setup(telescope=Telescope(focal_length_mm=550.0))
    setup, (notice,) = complete_setup(stated, files({"focal_length_mm": 440.0}))
    assert setup == stated
    assert notice.code == "setup_against_headers"
    assert notice.text == (
        "The setup gives 550 as focal length (mm), the headers 440; the setup is used."
    )


def test_rounding_is_no_contradiction():
    stated = Setup(telescope=Telescope(focal_length_mm=550.0))
    assert complete_setup(stated, files({"focal_length_mm": 551.0})) == (stated, ())


@pytest.mark.parametrize("order", [1, -1])
def test_headers_that_disagree_are_not_used(order):
    given = files({"pixel_um": 3.76}, {"pixel_um": 4.63})[::order]
    setup, (notice,) = complete_setup(Setup(), given)
    assert setup == Setup()
    assert notice.code == "headers_disagree"
    assert "3.76 to 4.63" in notice.text
    assert "pixel_um under [camera]" in notice.text


def test_files_that_are_not_used_have_no_say():
    good, bad = files({"pixel_um": 3.76}, {"pixel_um": 9.0})
    setup, notices = complete_setup(Setup(), (good, replace(bad, reason="a dark frame")))
    assert setup.camera.pixel_um == 3.76
    assert notices == ()


def test_binned_pixels_are_pointed_out():
    # Common practice: most writers of XPIXSZ include the binning, some do not.
    _, (notice,) = complete_setup(Setup(), files({"pixel_um": 7.52}, binning=2))
    assert notice.code == "pixel_binning"
    assert "binned 2 x 2; 7.52 um is taken as the size of the binned pixel" in notice.text


@pytest.mark.parametrize(("strays", "used"), [(1, 3.76), (2, 3.76), (3, None)])
def test_a_few_frames_that_say_otherwise_do_not_decide_for_all(strays, used):
    given = files(*[{"pixel_um": 3.76}] * 8, *[{"pixel_um": 65.0}] * strays)
    setup, (notice,) = complete_setup(Setup(), given)
    assert setup.camera.pixel_um == used
    assert notice.code == "headers_disagree"
    if used:
        assert notice.text == (
            f"{strays} of {8 + strays} headers give another pixel size (um) (65, for one) than "
            "3.76; 3.76 is used."
        )


def test_what_only_a_few_frames_state_is_not_taken_for_all():
    given = files(*[{}] * 10, *[{"saturation_adu": 3.0}] * 3)
    assert complete_setup(Setup(), given) == (Setup(), ())
