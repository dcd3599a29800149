"""Comparison: offset table, temperature and direction, colour, glass against telescope."""
