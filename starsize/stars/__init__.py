"""Stars: background, detection, half-flux radius, the same star through a sweep."""
