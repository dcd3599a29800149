"""What curves and comparison found, in sentences: each is written here, once."""

from . import colour, curves, offsets, sets
from .saying import in_words, worded
