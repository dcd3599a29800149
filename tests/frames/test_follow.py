"""A folder that frames are written to: told of once they are whole, whatever else comes."""

import threading
import time

import pytest

from starsize.errors import InputError
from starsize.frames.walk import follow_folders


def test_it_tells_at_once_then_of_quiet_then_of_a_frame(tmp_path):
    told = follow_folders([tmp_path], settle_s=0.2, idle_s=0.3)
    assert next(told) == 0.0
    assert next(told) > 0.0
    (tmp_path / "light_0001.fits").write_bytes(b"x")
    assert _until(told, 0.0) < 3.0
    told.close()


def test_a_frame_is_told_of_when_writing_has_rested(tmp_path):
    told = follow_folders([tmp_path], settle_s=0.5, idle_s=5.0)
    next(told)
    done = []

    def write():
        time.sleep(0.3)  # the watch is on by then
        with (tmp_path / "light.fits").open("wb") as file:
            for _ in range(6):
                file.write(bytes(2880))
                file.flush()
                time.sleep(0.2)
        done.append(time.monotonic())

    writer = threading.Thread(target=write)
    writer.start()
    assert next(told) == 0.0
    assert done
    writer.join()
    told.close()


def test_notes_and_hidden_files_are_no_frames(tmp_path):
    told = follow_folders([tmp_path], settle_s=0.2, idle_s=0.5)
    next(told)
    next(told)
    (tmp_path / "night.txt").write_text("clouds", "utf-8")
    (tmp_path / ".light.fits").write_bytes(b"x")
    assert next(told) > 0.0
    told.close()


def test_our_own_results_are_not_followed(tmp_path):
    out = tmp_path / "starsize-out"
    out.mkdir()
    told = follow_folders([tmp_path], skip=[out], settle_s=0.2, idle_s=0.5)
    next(told)
    (out / "practice.fits").write_bytes(b"x")
    assert next(told) > 0.0
    told.close()


def test_a_frame_in_a_new_folder_inside_is_seen(tmp_path):
    told = follow_folders([tmp_path], settle_s=0.2, idle_s=0.3)
    next(told)
    next(told)
    (tmp_path / "R").mkdir()
    (tmp_path / "R" / "light.fits").write_bytes(b"x")
    assert _until(told, 0.0) < 3.0
    told.close()


@pytest.mark.parametrize(("folders", "said"), [([], "no folder"), (["gone"], "gone: there is no")])
def test_nothing_to_watch_is_said_in_one_line(tmp_path, folders, said):
    with pytest.raises(InputError, match=said):
        next(follow_folders([tmp_path / name for name in folders]))


def _until(told, wanted):
    """Seconds until this is told; the last quiet of before may come first."""
    start = time.monotonic()
    for quiet in told:
        if quiet == wanted or time.monotonic() - start > 10:
            break
    return time.monotonic() - start
