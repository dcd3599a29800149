"""Glass or telescope: which smooth curve and which odd filters explain the shifts found."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.stats import chi2

from ...filters import Band
from ..linear import least_squares

#: Powers of the wavelength in a curve of one, two and three terms. The three are Conrady's
#: dispersion formula n = n0 + A / lambda + B / lambda^3.5 (Conrady, Applied Optics and Optical
#: Design -- from memory): focus follows the indices, and over 430-690 nm it meets crown-flint
#: doublets to 1 % of their range, real lenses to 3 %.
POWERS = {1: (0.0,), 2: (0.0, -2.0), 3: (0.0, -1.0, -3.5)}
_MIDDLE_NM = 550.0


@dataclass(frozen=True, slots=True, eq=False)
class SmoothCurve:
    """Coefficients of the curve and their covariance; ``len(coefficients)`` terms."""

    coefficients: np.ndarray
    covariance: np.ndarray

    @property
    def terms(self) -> int:
        """Number of terms."""
        return len(self.coefficients)

    def at(self, wavelength_nm: np.ndarray | float) -> np.ndarray:
        """Value at each wavelength."""
        return curve_basis(wavelength_nm, self.terms) @ self.coefficients

    def sigma(self, wavelength_nm: np.ndarray | float) -> np.ndarray:
        """Standard uncertainty at each wavelength."""
        basis = curve_basis(wavelength_nm, self.terms)
        return np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", basis, self.covariance, basis), 0.0))


def curve_basis(wavelength_nm: np.ndarray | float, terms: int) -> np.ndarray:
    """(k, terms) array: the powers of wavelength / 550 nm."""
    x = np.atleast_1d(np.asarray(wavelength_nm, float)) / _MIDDLE_NM
    return np.stack([x**power for power in POWERS[terms]], axis=1)


def fit_smooth_curve(
    wavelength_nm: np.ndarray, shift: np.ndarray, covariance: np.ndarray, *, terms: int
) -> SmoothCurve:
    """Generalised least squares of the curve through k filters.

    ``wavelength_nm`` and ``shift`` are (k,) arrays, the shifts and their positive definite (k, k)
    ``covariance`` in any one unit; ``ValueError`` if there are fewer distinct wavelengths than
    terms (1 to 3).
    """
    if len(np.unique(wavelength_nm)) < terms:
        raise ValueError(f"'terms' must not exceed the number of distinct wavelengths, got {terms}")
    found = least_squares(np.asarray(shift, float), curve_basis(wavelength_nm, terms), covariance)
    return SmoothCurve(found.mean, found.covariance)


def secondary_shift(curve: SmoothCurve) -> tuple[float, float]:
    """How far the common focus of F and C lies behind that of d, and its sigma.

    (F + C) / 2 - d, in the curve's own unit; positive further out where the curve's shifts are
    (Smith, Modern Optical Engineering, definition of the secondary spectrum).
    """
    lines = curve_basis(np.array([486.1327, 656.2725, 587.5618]), curve.terms)
    contrast = np.array([0.5, 0.5, -1.0]) @ lines
    value = float(contrast @ curve.coefficients)
    return value, float(np.sqrt(contrast @ curve.covariance @ contrast))


#: Shares of the zone by which a filter may depart from the smooth curve before that means
#: anything: alone (a thickness within tolerance) and together with its neighbours in wavelength.
OWN_SHARE, NEIGHBOUR_SHARE, NEIGHBOUR_NM = 0.25, 1 / 3, 100.0
#: Focus through a band differs from that at its central wavelength by up to this share of the
#: scatter of the curve within it, and the curve's own form by this share of its range.
BAND_SHARE, FORM_SHARE = 0.3, 0.03
ADEQUATE = 0.05
#: A smooth curve cannot leave a filter this close to its end (the steepest, an achromat of 1 m in
#: the blue, climbs 35 um per nm; in the red 10).
HELD_NM = 25.0
_MANY = 9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colours:
    """The k filters that can be judged: band and zone known.

    ``position``, (k,), its (k, k) covariance and the zones in steps from the first filter;
    ``plates`` holds the shift by the glass of those filters of which it is known.
    """

    filters: tuple[str, ...]
    bands: tuple[Band, ...]
    position: np.ndarray
    covariance: np.ndarray
    zone: np.ndarray
    plates: Mapping[str, float]

    @property
    def wavelength_nm(self) -> np.ndarray:
        """(k,) central wavelengths."""
        return np.array([b.wavelength_nm for b in self.bands])

    @property
    def shift(self) -> np.ndarray:
        """(k,) positions with the known plates taken off."""
        usual = float(np.mean(list(self.plates.values()))) if self.plates else 0.0
        return self.position - [self.plates.get(name, usual) - usual for name in self.filters]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """A smooth curve of some terms plus filters that stand off it.

    ``odd_shift`` and ``odd_sigma`` follow ``odd``; ``probability`` is that of a chi-square as
    large as found, NaN where nothing is left to test it with.
    """

    curve: SmoothCurve
    odd: tuple[str, ...]
    odd_shift: np.ndarray
    odd_sigma: np.ndarray
    chi2: float
    dof: int

    def exposed(self, colours: Colours) -> tuple[str, ...]:
        """Odd filters at an end of the colours, with no other near: the telescope may bend there.

        Between other filters a smooth curve is held on both sides; beyond them it is free.
        """
        own = dict(zip(colours.filters, colours.wavelength_nm.tolist(), strict=True))
        kept = [w for f, w in own.items() if f not in self.odd]
        return tuple(
            f for f in self.odd if own[f] < min(kept) - HELD_NM or own[f] > max(kept) + HELD_NM
        )

    @property
    def unknowns(self) -> int:
        """How many numbers it takes."""
        return self.curve.terms + len(self.odd)

    @property
    def adequate(self) -> bool:
        """True if the data do not contradict it at 95 %."""
        return self.dof == 0 or bool(chi2.sf(self.chi2, self.dof) >= ADEQUATE)

    def contains(self, other: "Explanation") -> bool:
        """True if ``other`` is this one with something left out."""
        smaller = other.curve.terms <= self.curve.terms and set(other.odd) <= set(self.odd)
        return smaller and (other.curve.terms, other.odd) != (self.curve.terms, self.odd)


def explain(colours: Colours, *, odd_allowed: bool = True) -> list[Explanation]:
    """All explanations that the data do not contradict and that contain no simpler such one.

    Fewest unknowns first. Odd filters are only blamed with the fewest unknowns of all, for with
    enough of them anything can be explained; a smooth curve may take more, every telescope has
    one. Where ``odd_allowed`` is False only smooth curves are tried (the
    channels of a colour camera lie behind one and the same glass).
    """
    found: list[Explanation] = []
    for terms, odd in _candidates(colours, odd_allowed):
        if found and odd and terms + len(odd) > found[0].unknowns:
            continue
        trial = fit_explanation(colours, terms=terms, odd=odd)
        if trial.adequate and not any(trial.contains(e) for e in found):
            found.append(trial)
    return found


def fit_explanation(colours: Colours, *, terms: int, odd: tuple[str, ...]) -> Explanation:
    """Fit one curve with the named filters free to stand off it."""
    indicator = (np.array(colours.filters)[:, None] == np.array(odd, dtype=str)).astype(float)
    design = np.hstack([curve_basis(colours.wavelength_nm, terms), indicator])
    apart = (colours.wavelength_nm[:, None] - colours.wavelength_nm) / NEIGHBOUR_NM
    shared = NEIGHBOUR_SHARE**2 * np.outer(colours.zone, colours.zone) * np.exp(-0.5 * apart**2)
    noise = colours.covariance + (shared + np.diag((OWN_SHARE * colours.zone) ** 2))
    curve = least_squares(colours.shift, design, noise).mean[:terms]
    # How far a band's focus may lie from its centre's depends on the curve, hence two passes.
    noise = noise + np.diag(_band_tolerance(colours, curve) ** 2)
    found = least_squares(colours.shift, design, noise)
    return Explanation(
        curve=SmoothCurve(found.mean[:terms], found.covariance[:terms, :terms]),
        odd=odd,
        odd_shift=found.mean[terms:],
        odd_sigma=np.sqrt(np.diag(found.covariance)[terms:]),
        chi2=found.chi2,
        dof=len(colours.filters) - design.shape[1],
    )


def _candidates(colours: Colours, odd_allowed: bool) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Terms and odd filters to try, fewest unknowns first; the odd ones stay a minority."""
    k, own = len(colours.filters), dict(zip(colours.filters, colours.wavelength_nm, strict=True))
    most_odd = (k - 1) // 2 if odd_allowed else 0
    if k > _MANY:
        most_odd = min(most_odd, 2)
    for unknowns in range(1, k + 1):
        for terms in range(1, min(3, unknowns) + 1):
            if unknowns - terms > most_odd:
                continue
            for odd in combinations(colours.filters, unknowns - terms):
                if len({w for f, w in own.items() if f not in odd}) >= terms:
                    yield terms, odd


def _band_tolerance(colours: Colours, coefficients: np.ndarray) -> np.ndarray:
    width_nm = np.array([[b.width_nm] for b in colours.bands])
    across = colours.wavelength_nm[:, None] + width_nm * np.linspace(-0.5, 0.5, 21)
    terms = len(coefficients)
    values = curve_basis(across.ravel(), terms) @ coefficients
    within = np.std(values.reshape(across.shape), axis=1)
    form = FORM_SHARE * np.ptp(curve_basis(colours.wavelength_nm, terms) @ coefficients)
    return np.hypot(BAND_SHARE * within, form)
