"""Frames: their facts from headers, what a folder holds, and how frames form sweeps."""
