import numpy as np

from starsize.stars import FLAG_WORDS, StarFlag, count_flags


def test_each_flag_has_words_for_people():
    assert set(FLAG_WORDS) == set(StarFlag)


def test_a_star_with_two_flags_counts_for_both():
    flags = np.array([StarFlag.EDGE | StarFlag.FAINT, StarFlag.FAINT, 0])
    assert count_flags(flags) == {"edge": 1, "faint": 2}


def test_clean_stars_give_an_empty_count():
    assert count_flags(np.zeros(5, int)) == {}
