"""Filter offsets: all sweeps of a night, how far to move the focuser at each filter change."""

import sys
from pathlib import Path

import starsize

DEMO = Path(__file__).parents[2] / "testdata" / "demo_night"

# Of the demo night the first three sweeps will do: L, R and G.
paths = sys.argv[1:] or sorted(DEMO.glob("evening_*.fits.fz"))[:33]
setup = starsize.load_setup(DEMO / "setup.toml")
result = starsize.measure_offsets(paths, setup=setup)
for row in result.comparison.rows:
    print(f"{row.filter:>4}  move {row.move_steps}  ({row.action})")

starsize.write_results(result, "offsets-example")
axes = starsize.plot(result)
axes.figure.savefig("03_filter_offsets.png")
