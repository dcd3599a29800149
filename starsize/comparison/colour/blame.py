"""Glass or telescope: how likely each is to keep the filters apart, and which filters are odd.

Best focus of filter f lies at

    p_f = Z + T_f c + g_f + noise,

T_f the colour terms of a lens (`optics.star.colour_terms`) in the middle of its band, c the lens,
g_f its glass beyond that of the others. Nothing is known of Z before looking; c has the priors of
the curves (`curves.statistics`); glass is even, but for a share ODD of odd filters. Every set of
odd filters, the lens with colour or next to none, has its probability from the positions, all
being normal. A lens and odd glass that would both do stay likely both: then the cause is open. (The
joint fit of the sweeps cannot say that: it stands at the likeliest lens.)
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final, NamedTuple

import numpy as np
from scipy.special import chdtrc, chdtri, logsumexp

from ...curves.statistics import PRIORS
from ...estimate import NOT_KNOWN, Estimate, Finding
from ...optics import glass_for_shift_mm, plate_shift_mm
from ...optics.star import colour_terms
from ...setup import Setup
from ..compared import Cause, OddFilter
from ..offsets.found import Found, Scale
from .verdict import colour_verdict

ODD: Final = 0.1
ODD_UM: Final = 300.0
"""Share of filters with odd glass (judgement), and the standard deviation of the shift it makes:
1 mm of glass is 340 um."""
EVEN: Final = 0.25
"""Standard deviation of the shift by even glass, in zones (judgement)."""
IN_BAND: Final = 0.3
"""Focus through a band lies off that of its middle by this share of the lens' scatter in it."""
SURE: Final = 0.95
IMPOSSIBLE: Final = 1e-3
MANY: Final = 9
"""With more filters no more than two are taken for odd."""
#: Filters of unknown glass are taken for the crown N-BK7 (common practice: most are); its n^2 - 1
#: is the sum of b L^2 / (L^2 - c), L in um, for these b and c (maker's data sheet, as the CC0 data
#: base of refractiveindex.info has it).
CROWN = (1.03961212, 0.00600069867), (0.231792344, 0.0200179144), (1.01046945, 103.560653)


class LensPrior(NamedTuple):
    """A kind of lens: its share, and variances (3,) of its colour terms, square micrometres."""

    share: float
    variance: np.ndarray


_COLOURED: Final = np.array(PRIORS.colour_um)
_PLAIN: Final = np.where([False, True, False], PRIORS.plain_colour_um, _COLOURED)
LENSES: Final = tuple(
    LensPrior(share / 3, scale * sigma**2)
    for share, sigma in ((PRIORS.plain, _PLAIN), (1 - PRIORS.plain, _COLOURED))
    for scale in PRIORS.colour_tail / chdtri(PRIORS.colour_tail, 1 - np.array([1, 3, 5]) / 6)
)
"""With next to no colour, and with colour; Student's t of it as three normal distributions."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colours:
    """The k filters that can be judged, steps from the first; ``plates`` the shift by glass."""

    found: Found
    filters: tuple[str, ...]
    position: np.ndarray
    covariance: np.ndarray
    zone: np.ndarray
    plates: Mapping[str, float]

    @property
    def um_per_step(self) -> Estimate:
        """Zones in steps are known, so that it is."""
        return self.found.scale.um_per_step or NOT_KNOWN

    @property
    def shift(self) -> np.ndarray:
        """(k,) positions with the known plates taken off."""
        usual = float(np.mean(list(self.plates.values()))) if self.plates else 0.0
        return self.position - [self.plates.get(name, usual) - usual for name in self.filters]


class Explanations(NamedTuple):
    """Each of n explanations, a set of odd filters and a kind of lens, and its probability.

    (n, k) ``odd``, the shift by odd ``glass`` and its ``variance``, steps; (n,) ``apart``, whether
    the lens alone keeps the even filters apart, and ``chi2`` of the positions.
    """

    probability: np.ndarray
    odd: np.ndarray
    apart: np.ndarray
    glass: np.ndarray
    variance: np.ndarray
    chi2: np.ndarray


def explain(colours: Colours) -> Explanations:
    """Weigh every set of odd filters with every kind of lens."""
    y, zone, count = colours.shift, colours.zone, len(colours.filters)
    most = (count + 1) // 2 if count <= MANY else 2
    sets = [some for size in range(most + 1) for some in combinations(range(count), size)]
    odd = np.array([[i in some for i in range(count)] for some in sets])
    glass = odd * (ODD_UM / colours.um_per_step.value) ** 2
    terms, own = _lens_terms(colours)
    anywhere = 1e6 * (np.ptp(y) + zone.max()) ** 2
    trials = []
    for share, variance in LENSES:
        of_lens = (terms * variance) @ terms.T
        even = (EVEN * zone) ** 2 + IN_BAND**2 * own**2 @ variance
        within = (glass + even)[:, None, :] * np.eye(count)
        weight = np.linalg.inv(colours.covariance + of_lens + within + anywhere)
        pull = weight @ y
        chi2 = pull @ y
        before = math.log(share) + np.log(np.where(odd, ODD, 1 - ODD)).sum(axis=1)
        log_p = before + 0.5 * (np.linalg.slogdet(weight)[1] - chi2)
        left = glass - glass**2 * np.diagonal(weight, axis1=1, axis2=2)
        apart = _reach(pull @ of_lens, zone, ~odd) > 0
        trials.append((log_p, odd, apart, glass * pull, left, chi2))
    log_p, *rest = (np.concatenate(column) for column in zip(*trials, strict=True))
    return Explanations(np.exp(log_p - logsumexp(log_p)), *rest)


def _reach(position: np.ndarray, zone: np.ndarray, which: np.ndarray | bool = True) -> np.ndarray:
    """By how much no one position lies in all zones; negative where one does."""
    first = np.max(position - zone, axis=-1, where=which, initial=-np.inf)
    last = np.min(position + zone, axis=-1, where=which, initial=np.inf)
    return first - last


def _lens_terms(colours: Colours) -> tuple[np.ndarray, np.ndarray]:
    """Mean and scatter of each colour term over each band, steps per micrometre: (k, 3)."""
    bands = colours.found.setup.bands(colours.filters).values()
    across = np.linspace(-0.5, 0.5, 21)
    at = np.array([band.wavelength_nm + band.width_nm * across for band in bands])
    terms = colour_terms(1e-3 * at) / colours.um_per_step.value
    return terms.mean(axis=-1).T, terms.std(axis=-1).T


Blame = tuple[Cause, Finding, tuple[OddFilter, ...]]
"""Cause, what it rests on, and the filters that stand off the lens."""


def blame(colours: Colours) -> Blame:
    """Cause of colours that do not focus together, at 95 %; by the plates where all are known.

    The lens alone is to blame where it surely is and even glass is no less likely than before.
    """
    if colours.found.same_glass:
        return "telescope", Finding("one_glass"), ()
    found, count = explain(colours), len(colours.filters)
    apart, none_odd = found.apart, np.all(~found.odd, axis=1)
    if len(colours.plates) == count and found.probability @ none_odd > 1 - SURE:
        return _blame_with_plates(colours)
    if chdtrc(count - 1, found.chi2[np.argmax(found.probability)]) < IMPOSSIBLE:
        return "unknown", Finding("nothing_explains"), ()
    by_lens = float(found.probability @ apart)
    lens_to_blame, glass_to_blame = by_lens > SURE, by_lens < 1 - SURE
    which = apart if lens_to_blame else ~apart
    weight = found.probability[which]
    even = float(weight @ none_odd[which] / weight.sum())
    odd = _odd_filters(found, which, colours)
    said = tuple(
        Finding("odd_filter", name=o.filter, shift_um=o.shift_um, extra_glass_mm=o.extra_glass_mm)
        for o in odd
    )
    cause: Cause = "both" if lens_to_blame else "glass"
    if odd and (lens_to_blame or glass_to_blame):
        reason = Finding("odd_glass", odd=said, others_apart=lens_to_blame)
    elif glass_to_blame or (lens_to_blame and even < 1 - SURE):
        reason = Finding("one_of_several", sets=_likely(found, colours), with_lens=lens_to_blame)
    elif lens_to_blame and even >= (1 - ODD) ** count:
        # An odd filter may hide in the lens' own colour: the positions must speak against it.
        cause, reason = "telescope", Finding("smooth_colour")
    else:
        cause = "unknown"
        code = "glass_beside_colour" if lens_to_blame else "glass_or_colour"
        reason = Finding("odd_or_colour", odd=said) if odd else Finding(code)
    return cause, reason, odd


def _likely(found: Explanations, colours: Colours) -> tuple[tuple[str, ...], ...]:
    """The sets of odd filters that may well be at fault."""
    sets, which = np.unique(found.odd, axis=0, return_inverse=True)
    weight = np.bincount(which.ravel(), found.probability)
    names = np.array(colours.filters)
    likely = sets[sets.any(axis=1) & (weight > (1 - SURE) * weight.max())]
    return tuple(tuple(names[row].tolist()) for row in likely)


def _odd_filters(found: Explanations, which: np.ndarray, colours: Colours) -> tuple[OddFilter, ...]:
    """Filters that are odd for sure if one of some explanations holds, with the glass for it."""
    weight, odd, night = found.probability[which], [], colours.found
    for i in np.flatnonzero(weight @ found.odd[which] > SURE * weight.sum()):
        name, own = colours.filters[i], found.probability * found.odd[:, i]
        own = own / own.sum()
        shift = own @ found.glass[:, i]
        variance = own @ (found.variance[:, i] + (found.glass[:, i] - shift) ** 2)
        moved = night.scale.estimate(Estimate(float(shift), math.sqrt(variance)))
        if moved is not None:
            glass = glass_of(moved, name, night.setup)
            odd.append(OddFilter(filter=name, shift_um=moved, extra_glass_mm=glass))
    return tuple(odd)


def _blame_with_plates(colours: Colours) -> Blame:
    plates = np.array([colours.plates[name] for name in colours.filters])
    verdict: str = colour_verdict(colours.shift, colours.covariance, colours.zone)
    cause: Cause = "glass" if verdict == "together" else "unknown"
    if verdict == "apart":
        both = _reach(plates, colours.zone) > 0
        cause, verdict = ("both", "apart") if both else ("telescope", "too little")
    span = float(np.ptp(plates)) * colours.um_per_step.value
    return cause, Finding("stated_glass", span_um=span, verdict=verdict), ()


def plate_steps(name: str, setup: Setup, scale: Scale) -> float | None:
    """Shift of one filter's plate at the focuser, steps; None where its glass is not known.

    t (1 - cos th / sqrt(n^2 - sin^2 th)), exact for the marginal ray, times ``focus_scale``.
    """
    glass = setup.filters.get(name)
    if glass is None or glass.thickness_mm is None or scale.um_per_step is None:
        return None
    ratio, rescaled = setup.telescope.focal_ratio, setup.telescope.focus_scale or 1.0
    shift = plate_shift_mm(glass.thickness_mm, index_of(name, setup), ratio) * rescaled
    return 1e3 * shift / scale.um_per_step.value * scale.sense


def index_of(name: str, setup: Setup) -> float:
    """Index of a filter's glass as stated, else that of the usual glass at its wavelength."""
    glass = setup.filters.get(name)
    if glass is not None and glass.refractive_index is not None:
        return glass.refractive_index
    band = setup.band(name)
    um = (band.wavelength_nm if band else 587.56) / 1e3
    return math.sqrt(1 + sum(b * um * um / (um * um - c) for b, c in CROWN))


def glass_of(shift_um: Estimate, name: str, setup: Setup) -> Estimate:
    """Thickness of a filter's glass that moves focus by so much, millimetres."""
    ratio, scale = setup.telescope.focal_ratio, setup.telescope.focus_scale or 1.0
    value, sigma = (
        glass_for_shift_mm(part / 1e3, index_of(name, setup), ratio, focus_scale=scale)
        for part in (shift_um.value, shift_um.sigma)
    )
    return Estimate(value, abs(sigma))
