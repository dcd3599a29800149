"""What is told when files cannot be used."""

from pathlib import Path

from starsize.frames import listing, lost_filters
from starsize.frames.frame import SINGLE, FrameFacts, InputFile
from starsize.reports.words import in_words

unused_notices = in_words(listing.unused_notices)


def file(name, filter_name=None, reason=None, kind="light", read=True):
    path = Path(name)
    facts = FrameFacts(path=path, kind=kind, filter=filter_name, shape=(10, 10)) if read else None
    return InputFile(path, facts, reason)


def test_a_filter_none_of_whose_frames_serves_is_lost_and_the_reason_is_the_commonest():
    files = [
        file("1.fits", "L"),
        file("2.fits", "OIII", "no position"),
        file("3.fits", "OIII", "no position"),
        file("4.fits", "OIII", "odd"),
        file("5.fits", "R", "no position"),
        file("6.fits", "R"),
    ]
    assert lost_filters(files) == {"OIII": "none of the 3 frames can be used: no position"}


def test_a_frame_that_cannot_be_read_is_told_once_with_its_name():
    (notice,) = unused_notices(
        [file("1.fits", "L"), file("2.fits", reason="cut short", read=False)]
    )
    assert notice.code == "frames_not_used"
    assert notice.text == "One frame cannot be used: 2.fits: cut short."


def test_each_reason_is_told_once_that_of_the_most_frames_first():
    broken = [file(f"b{i}.fits", reason=f"cut short ({i} bytes)", read=False) for i in range(2)]
    lost = [file(f"{i}.fits", None, "no focuser position") for i in range(11)]
    notices = unused_notices([*broken, file("l.fits", "L"), *lost])
    assert [n.text for n in notices] == [
        "11 frames cannot be used, such as 0.fits: no focuser position.",
        "2 frames cannot be used, such as b0.fits: cut short (0 bytes).",
    ]


def test_many_reasons_are_counted_together():
    odd = [file(f"{word}.fits", reason=word, read=False) for word in "abcdefg"]
    notices = unused_notices([file("l.fits", "L"), *odd])
    assert len(notices) == 5
    assert notices[-1].text.startswith("3 more cannot be used")


def test_a_single_exposure_is_told_but_its_filter_does_not_count_as_lost():
    files = [file("1.fits", "L"), file("2.fits", "Ha", SINGLE)]
    assert lost_filters(files) == {}
    (notice,) = unused_notices(files)
    assert notice.text == f"One frame cannot be used: 2.fits: {SINGLE}."


def test_calibration_frames_copies_and_notes_are_no_cause_for_a_notice():
    files = [
        file("1.fits", "L"),
        file("dark.fits", reason="a dark frame, not an exposure of the sky", kind="dark"),
        file("copy.fits", "L", "the same exposure as 1.fits, counted once"),
        file("notes.txt", reason="not a FITS file (by its name)", read=False),
    ]
    assert unused_notices(files) == ()
    assert lost_filters(files) == {}


def test_frames_of_a_lost_filter_are_not_told_twice():
    assert unused_notices([file("1.fits", "L"), file("2.fits", "R", "no position")]) == ()
