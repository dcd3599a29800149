"""Everything one run found, the sum of the layers, as the reports need it."""

from dataclasses import dataclass

from ..comparison.compared import Comparison
from ..curves.fitted import CurveSet
from ..estimate import Notice
from ..frames.frame import InputFile, Sweep
from ..setup import Setup
from ..tracking.filmstrip import Filmstrip
from ..tracking.measured import MeasuredSweep


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class RunResult:
    """One run of the main job.

    ``curves.fits`` follows ``measured`` one to one; ``notices`` are all warnings of all layers.
    Where focus followed the temperature, the positions of ``curves`` are those of the headers
    brought to the mean temperature of their sweep. ``strips``, pictures of one star of each sweep,
    also follow ``measured``; there are none of stored results.
    """

    setup: Setup
    files: tuple[InputFile, ...]
    sweeps: tuple[Sweep, ...]
    measured: tuple[MeasuredSweep, ...]
    curves: CurveSet
    comparison: Comparison
    notices: tuple[Notice, ...] = ()
    strips: tuple[Filmstrip | None, ...] = ()

    def __repr__(self) -> str:
        rows = self.comparison.rows
        measured = sum(row.status == "measured" for row in rows)
        return (
            f"<RunResult: {measured} of {len(rows)} filters measured in {len(self.measured)} "
            f"sweeps, counted from {self.comparison.reference}>"
        )

    def _repr_html_(self) -> str:
        return self.comparison._repr_html_()
