"""Curves: half-flux radius against position, the model fitted to it, best focus."""
