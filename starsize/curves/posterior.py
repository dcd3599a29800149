"""What the frames say of best focus: an average over the scatter of the seeing and what is lacking."""

from dataclasses import dataclass

import numpy as np

from ..optics.star import lay_out, star_sizes
from .night import FIRST, LOG_SLOPE, Night, fill_shared, state_of
from .search import Fit, find, descend, shared_scatter, variance_of
from .statistics import JITTERS, LACKS, PRIORS, Priors, believe

ROUNDS = 14


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Normal distributions of best focus, one for each scatter tried, and their weights.

    Attributes
    ----------
    fit : Fit
        Likeliest quantities, about which all is linear.
    weight : (g,) array
    jitter, lack : (g,) arrays
    best_steps : (g, m) array
        Best focus of the m sweeps.
    covariance : (g, m, m) array
    values : (g, p) array
    spread : (g, p) array
        Standard deviations of the quantities.
    sound : (n,) array
        Probability that a frame is sound.
    """

    fit: Fit
    weight: np.ndarray
    jitter: np.ndarray
    lack: np.ndarray
    best_steps: np.ndarray
    covariance: np.ndarray
    values: np.ndarray
    spread: np.ndarray
    sound: np.ndarray


def explain(night: Night, *, priors: Priors = PRIORS) -> Posterior:
    """Find the likeliest quantities and average over the grid of scatters."""
    jitter, lack = priors.jitter, priors.lack
    fit = find(night, jitter=jitter, lack=lack)
    for turn in range(2):
        result = _average(night, fit, priors)
        jitter = float(np.exp(result.weight @ np.log(result.jitter)))
        lack = float(np.exp(result.weight @ np.log(result.lack)))
        if turn == 0:
            fit = descend(night, fit.values, jitter=jitter, lack=lack, steps=30)
    return result


def _average(night: Night, fit: Fit, priors: Priors) -> Posterior:
    slopes = night.slopes(fit.values, fit.sizes)
    miss = night.radius_px - fit.sizes.radius
    precision, pull, _ = night.prior.normal(fit.values)
    place, lever = best_focus(night, fit.values)
    parts = []
    for jitter in JITTERS:
        for lack in LACKS:
            variance = variance_of(night, fit.sizes, jitter=jitter, lack=lack, priors=priors)
            spare = variance.common**2
            shift, doubt = np.zeros(fit.values.size), np.zeros(miss.size)
            for _ in range(ROUNDS):
                left = miss - slopes @ shift
                # The frame itself has drawn the curve: what the others say of it is further off.
                share = np.minimum(doubt * weight, 0.98) if doubt.any() else np.zeros(miss.size)
                alone = left / (1 - share)
                belief = believe(
                    alone, variance.sound, wild=variance.wild,
                    doubt=spare + doubt / (1 - share), priors=priors,
                )
                sound, weight = belief.sound, belief.weight
                normal = precision + slopes.T @ (weight[:, None] * slopes)
                right = slopes.T @ (weight * miss) - pull
                if spare.any():
                    taken, moved = shared_scatter(night, slopes, weight, variance.common, miss)
                    normal, right = normal - taken, right - moved
                known = np.linalg.inv(normal)
                before, shift = shift, known @ right
                doubt = np.einsum("ij,jk,ik->i", slopes, known, slopes)
                if np.all(np.abs(slopes @ (shift - before)) < 1e-3 * np.sqrt(variance.sound)):
                    break
            left = miss - slopes @ shift
            evidence = _evidence(left, sound, variance, priors) 
            evidence += float(-0.5 * (shift @ precision @ shift + 2 * pull @ shift)) - 0.5 * np.linalg.slogdet(normal)[1]
            evidence -= 0.5 * (np.log(jitter / priors.jitter) / priors.jitter_spread) ** 2
            evidence -= 0.5 * (np.log(lack / priors.lack) / priors.lack_spread) ** 2
            parts.append((evidence, jitter, lack, place + lever @ shift, lever @ known @ lever.T, fit.values + shift, np.sqrt(np.diag(known)), sound))
    log_weight = np.array([p[0] for p in parts])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    column = [np.array([p[k] for p in parts]) for k in range(1, 8)]
    return Posterior(fit, weight, *column[:6], sound=weight @ column[6])


def _evidence(left, sound, variance, priors) -> float:
    """Expected log likelihood of the frames, with the entropy of which of them are wrecked."""
    tiny = 1e-12
    total = variance.sound + variance.common**2
    good = -0.5 * (left**2 / total + np.log(total)) + np.log1p(-priors.wrecked) - np.log(sound + tiny)
    wild = total + np.maximum(variance.wild, left**2)
    bad = -0.5 * (left**2 / wild + np.log(wild)) + np.log(priors.wrecked) - np.log(1 - sound + tiny)
    return float((sound * good + (1 - sound) * bad).sum())


def best_focus(night: Night, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of the smallest radius at the median seeing, and their derivatives (m, p)."""
    m = len(night.curves)
    slope = float(np.exp(values[LOG_SLOPE]))
    own = values[FIRST:].reshape(m, 3)
    seeing = float(np.median(own[:, 1]))
    spans = [np.ptp(night.position_steps[night.sweep == s]) for s in range(m)]
    reach = 1.2 * slope * float(max(spans))
    grid = np.linspace(-reach, reach, 81)
    sizes = _at(night, values, np.tile(grid, m), np.repeat(np.arange(m), grid.size), seeing, None)
    radius = sizes.radius.reshape(m, -1)
    low = np.argmin(radius, axis=1)
    blur, start = grid[low], radius[np.arange(m), low]
    step = float(grid[1] - grid[0])
    which = np.arange(m)
    for _ in range(6):
        pair = _at(night, values, np.concatenate([blur - step / 2, blur + step / 2]), np.tile(which, 2), seeing, np.tile(start, 2))
        down, up = pair.by_blur[:m], pair.by_blur[m:]
        move = np.clip(-(down + up) / 2 * step / np.maximum(up - down, 1e-9), -step, step)
        blur = blur + move
        step = max(float(np.abs(move).max()) * 2, 0.02 * float(start.min()))
    width = 0.05 * float(start.min())
    # At the minimum dR/dblur = 0; how it moves follows from how that derivative changes.
    pair = [_derivatives(night, values, blur + side * width, seeing, start) for side in (-1, 1)]
    change = (pair[1] - pair[0]) / (2 * width)
    bend = change[np.arange(m), -1]
    moved = -change[:, :-1] / bend[:, None]
    lever = moved / slope
    lever[:, LOG_SLOPE] += -blur / slope
    lever[which, FIRST + 3 * which] += 1.0
    return own[:, 0] + blur / slope, lever


def _at(night, values, blur, which, seeing, start):
    bands = [(b.wavelength_nm, b.width_nm) for b in night.bands]
    tint = values[FIRST:].reshape(-1, 3)[which, 2]
    rows = lay_out(night.stars.table, bands, which)
    state = state_of(values, blur_px=blur, log_seeing=np.full(blur.size, seeing), tint=tint)
    return star_sizes(rows, state, start_px=start)


def _derivatives(night, values, blur, seeing, start) -> np.ndarray:
    """dR by every quantity at fixed blur (m, p), and by the blur in a last column."""
    m = len(night.curves)
    which = np.arange(m)
    sizes = _at(night, values, blur, which, seeing, start)
    out = np.zeros((m, values.size + 1))
    shared = np.zeros((m, values.size))
    fill_shared(shared, values, sizes, blur_px=blur)
    shared[:, LOG_SLOPE] = 0.0
    out[:, :-1] = shared
    out[which, FIRST + 3 * which + 2] = sizes.by_tint
    out[:, -1] = sizes.by_blur
    return out


def gain_over_flat(night: Night, found: Posterior, row: int, *, priors: Priors = PRIORS) -> float:
    """Twice the log likelihood ratio of a sweep's curve to stars that only the seeing changes.

    Each at the scatter of the seeing that suits it best, what is usual of it taken into account.
    """
    mine = night.sweep == row
    radius, star = night.radius_px[mine], night.sigma_px[mine]
    sizes, middle = found.fit.sizes, float(np.median(radius))
    lack = float(np.exp(found.weight @ np.log(found.lack)))

    def best(expected: np.ndarray | float, by_log_seeing: np.ndarray | float) -> float:
        tried = []
        for jitter in JITTERS:
            sound = star**2 + (jitter * by_log_seeing) ** 2 + (lack * radius) ** 2
            wild = (priors.wreck_size * radius) ** 2
            likely = believe(radius - expected, sound, wild=wild, priors=priors).log_likelihood
            usual = (np.log(jitter / priors.jitter) / priors.jitter_spread) ** 2
            tried.append(2 * float(likely.sum()) - usual)
        return max(tried)

    return best(sizes.radius[mine], sizes.by_log_seeing[mine]) - best(middle, middle)
