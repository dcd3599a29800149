"""What the comparison hands on: offset table, colour verdict, temperature, focuser."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..estimate import Estimate, Notice
from ..notebook import html_table, plus_minus

Action = Literal["ignore", "move", "refocus"]
Status = Literal["measured", "refused"]
ColourWord = Literal["together", "apart", "cannot tell"]
Cause = Literal["telescope", "glass", "both", "unknown"]
Outward = Literal["increasing", "decreasing"]
StepSource = Literal["setup", "header", "slope"] | None
BacklashFrom = Literal["both directions", "flat start"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetRow:
    """One row of the offset table; the fields are the columns of ``offsets.csv``, in order.

    None where unknown. ``offset_sigma_steps`` holds run-to-run scatter, temperature and direction;
    ``sigma_frames_steps`` is the part of it that the frames bring, ``sigma_focuser_steps`` what the
    focuser is known or assumed to add (in squares). ``growth_if_ignored`` is the fraction by which
    the filter's stars grow when the reference's position is kept. ``offset_half997_steps`` is what
    three times the uncertainty would be with many repeats: half of the interval that holds the
    truth with 99.7 %; few repeats make it longer.
    """

    filter: str
    reference: str
    status: Status
    sweeps: int
    frames: int
    stars: int
    best_focus_steps: float | None = None
    best_focus_sigma_steps: float | None = None
    offset_steps: float | None = None
    offset_sigma_steps: float | None = None
    move_steps: int | None = None
    offset_um: float | None = None
    zone_steps: float | None = None
    action: Action = "refocus"
    reason: str = ""
    sigma_frames_steps: float | None = None
    sigma_focuser_steps: float | None = None
    growth_if_ignored: Estimate | None = None
    offset_half997_steps: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OddFilter:
    """A filter that stands off the lens, and the glass that would explain it."""

    filter: str
    shift_um: Estimate
    """Further out is positive."""
    extra_glass_mm: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourPoint:
    """One filter on the chromatic curve.

    ``shift_um``/``shift_steps`` are best focus minus the compromise position; ``telescope_um`` is
    the shift with the plate of the filter's glass taken off, None where the glass is not known.
    ``growth`` is HFR at the compromise position over the filter's smallest HFR.
    """

    filter: str
    wavelength_nm: float | None
    shift_steps: Estimate
    shift_um: Estimate | None
    zone_steps: float | None
    zone_um: float | None
    telescope_um: Estimate | None = None
    growth: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LensFilter:
    """A filter beside the lens: where it focuses, how far its colours spread, what it adds."""

    filter: str
    wavelength_nm: float
    width_nm: float
    focus_um: Estimate | None
    """Best focus from the lens' focus of 550 nm; further out is positive."""
    spread_um: float | None
    """How far apart the lens focuses the colours of its band."""
    glass_mm: Estimate | None
    """Glass beyond that of the median filter."""
    growth_at_luminance: float | None
    """HFR at the best focus of L over the filter's smallest; None without L."""
    growth_at_common: float | None
    """HFR at the best common position over the filter's smallest."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LensReport:
    """The lens as all sweeps together show it; further out is positive.

    ``wavelength_nm``, ``shift_um`` and ``sigma_um`` are (k,) arrays: where each colour focuses,
    from the focus of 550 nm. ``secondary_um`` is the common focus of F and C less that of d, None
    where the bands do not reach them. ``spherical_waves`` is at 550 nm.
    """

    wavelength_nm: np.ndarray
    shift_um: np.ndarray
    sigma_um: np.ndarray
    secondary_um: Estimate | None
    spherical_waves: Estimate
    filters: tuple[LensFilter, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class ColourReport:
    """Does one focus position serve all colours, and if not, who is to blame.

    ``curve_*`` hold the curve of the lens for drawing: (k,) arrays of wavelength in nm, shift
    and its standard uncertainty in steps; empty where the data allow no curve.
    """

    verdict: ColourWord
    reason: str
    cause: Cause | None = None
    cause_reason: str = ""
    compromise_steps: float | None = None
    points: tuple[ColourPoint, ...] = ()
    odd_filters: tuple[OddFilter, ...] = ()
    groups: tuple[tuple[str, ColourWord], ...] = ()
    """Verdict for parts of the set: ("R, G, B", "together"), ("L's whole band", ...)."""
    secondary_spectrum: float | None = None
    """Focal length over the shift between the F-C focus and the middle of the band."""
    curve_wavelength_nm: np.ndarray = field(default_factory=lambda: np.zeros(0))
    curve_shift_steps: np.ndarray = field(default_factory=lambda: np.zeros(0))
    curve_sigma_steps: np.ndarray = field(default_factory=lambda: np.zeros(0))

    without: tuple[str, ...] = ()
    """Filters without which one position serves all others; empty where there are none such."""
    without_steps: float | None = None
    """That position, counted as ``compromise_steps``."""
    lens: LensReport | None = None

    def __repr__(self) -> str:
        cause = f", {self.cause}" if self.cause else ""
        return f"<ColourReport: {self.verdict}{cause}, {len(self.points)} colours>"


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureTerm:
    """Focus against temperature: the coefficient used, where it is from, and the range seen."""

    steps_per_degC: Estimate | None = None
    source: Literal["frames", "setup", "none"] = "none"
    range_degC: float | None = None
    reference_degC: float | None = None
    refocus_degC: Mapping[str, Estimate] = field(default_factory=dict)
    """For each filter with a zone the change of temperature that uses up half of it."""
    expected_steps_per_degC: Estimate | None = None
    """What a tube of the stated material would give."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A sudden change of the focuser between two sweeps.

    ``between`` are sweeps that may lie on either side of it: it is not known where among them.
    ``steps`` is by how much best focus moved.
    """

    after_sweep: str
    before_sweep: str
    steps: Estimate
    between: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FocuserHealth:
    """What the sweeps say about the focuser; None where they cannot tell."""

    um_per_step: Estimate | None = None
    um_per_step_source: StepSource = None
    backlash_steps: Estimate | None = None
    """Reversal value: best focus reached with a growing count less that with a falling one."""
    backlash_from: BacklashFrom | None = None
    repeatability_steps: Estimate | None = None
    """Run-to-run scatter of best focus beyond the fits' own uncertainty."""
    repeatability68_steps: tuple[float, float] | None = None
    """Its 68.3 % interval, which is lopsided where few repeats stand behind it."""
    measuring_steps: float | None = None
    """The fits' own uncertainty of one sweep, beside it."""
    placement_steps: Estimate | None = None
    """How exactly single positions are reached."""
    slips: tuple[Slip, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldReport:
    """Best focus over the frame; further out is positive, x and y as the image counts them.

    ``tilt_x_um`` and ``tilt_y_um`` are how much further out the camera has to be at the +x and the
    +y edge than at the centre, ``curvature_um`` the corners beyond the centre without the tilt.
    """

    tilt_x_um: Estimate
    tilt_y_um: Estimate
    tilt_arcmin: Estimate | None
    curvature_um: Estimate
    corners_um: tuple[Estimate, ...]
    """Against the centre: lower left, lower right, upper left, upper right (low is y = 0)."""
    significant: bool
    """Tilt and curvature together are not nothing, at 95 %."""
    changes_with_filter: bool | None
    """The pattern is another one in some filter; None where there is but one."""
    stars: int
    centre_steps: Mapping[str, Estimate] = field(default_factory=dict)
    """For each sweep best focus at the centre less that of its curve, which is of all stars."""
    tilt_significant: bool = False
    """The tilt alone is not nothing, at 95 %."""
    frame_px: tuple[float, float] | None = None
    """Width and height of the frame."""
    zone_um: float | None = None
    """Half-width of the reference filter's zone, where it is known."""

    @property
    def corners_zones(self) -> tuple[Estimate, ...] | None:
        """``corners_um`` in zones."""
        zone = self.zone_um
        return tuple(corner.times(1 / zone) for corner in self.corners_um) if zone else None

    @property
    def towards_telescope(self) -> str | None:
        """Edge or corner of the camera, ``upper left`` say, that must move in against tilt."""
        if not self.tilt_significant:
            return None
        x, y = self.tilt_x_um.value, self.tilt_y_um.value
        across = "left" if x > 0 else "right"
        along = "lower" if y > 0 else "upper"
        # A side where the other tilt is less than half, as directions of 45 degrees part.
        if abs(y) < abs(x) / 2:
            return across
        return along if abs(x) < abs(y) / 2 else f"{along} {across}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Comparison:
    """All that the comparison finds.

    ``filters`` are those measured, the reference first; ``covariance_steps2`` is the (k, k)
    covariance of their offsets in that order, so row and column of the reference are zero.
    """

    reference: str
    rows: tuple[OffsetRow, ...]
    filters: tuple[str, ...]
    covariance_steps2: np.ndarray
    colour: ColourReport
    temperature: TemperatureTerm
    focuser: FocuserHealth
    half95_steps: tuple[float, ...] = ()
    """Half-width of the 95 % interval of each offset, in the order of ``filters``; more than
    twice the standard uncertainty where few repeats stand behind it."""
    birge_ratio: float | None = None
    """Birge ratio of the adjustment: 1 where scatter and stated uncertainty agree."""
    field: FieldReport | None = None
    field_reason: str = ""
    """Why the frames cannot tell the field; empty where they can, or no star was followed."""
    outward: Outward = "increasing"
    """Sense of the step count, as the setup states it."""
    notices: tuple[Notice, ...] = ()

    def __repr__(self) -> str:
        measured = sum(row.status == "measured" for row in self.rows)
        return (
            f"<Comparison: {measured} of {len(self.rows)} filters measured, counted from "
            f"{self.reference}; colours: {self.colour.verdict}>"
        )

    def _repr_html_(self) -> str:
        head, rows = ("filter", "move", "offset (steps)", "zone (steps)", "do"), []
        for row in self.rows:
            move = "" if row.move_steps is None else f"{row.move_steps:+d}"
            offset = plus_minus(row.offset_steps, row.offset_sigma_steps)
            zone = "" if row.zone_steps is None else f"±{row.zone_steps:.1f}"
            word: str = "reference" if row.filter == self.reference else row.action
            word = "refused" if row.status == "refused" else word
            rows.append((row.filter, move, offset, zone, word))
        return html_table(f"Moves from {self.reference}", head, rows)
