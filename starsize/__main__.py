"""``python -m starsize`` is the command ``starsize``."""

import sys

from .cli import main

if __name__ == "__main__":
    sys.exit(main())
