"""Telescope focus from image frames: half-flux radii, focus curves, filter offsets.

The names below follow the way the data flows: frames -> photometry -> tracking -> curves ->
comparison -> reports. Each step can be used alone; ``measure_offsets`` is all of them in a row.

The public names stand in ``__init__.pyi``; a layer is loaded when one of its names is first asked
for, so that ``starsize --help`` stays instant.
"""

import lazy_loader

__version__ = "0.2.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
