import numpy as np
from numpy.testing import assert_array_equal

from starsize.stars.cutouts import cut_out

IMAGE = np.arange(48, dtype=np.uint16).reshape(6, 8)


def test_a_square_inside_is_the_slice_of_the_image():
    cut = cut_out(IMAGE, np.array([3]), np.array([2]), 1)
    assert_array_equal(cut[0], IMAGE[1:4, 2:5])


def test_beyond_the_frame_there_is_nothing():
    cut = cut_out(IMAGE, np.array([0]), np.array([5]), 1)
    assert np.isnan(cut[0, :, 0]).all()
    assert np.isnan(cut[0, 2]).all()
    assert cut[0, 1, 1] == IMAGE[5, 0]


def test_no_places_give_no_squares():
    assert cut_out(IMAGE, np.zeros(0, int), np.zeros(0, int), 2).shape == (0, 5, 5)
