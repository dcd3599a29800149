"""Sweeps to offsets: the terms, one linear model, slips, the table, temperature, focuser."""
