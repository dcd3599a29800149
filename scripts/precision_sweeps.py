"""Sweeps in steps, through the public functions: five positions, seven filters, play, refusals.

Called by ``scripts/precision.py``.
"""

from dataclasses import replace

import numpy as np
from precision_cells import (
    JITTERS,
    POSITIONS,
    SPANS,
    STARS,
    WRECKS,
    Cell,
    derivatives,
    grown,
    spoiled,
    variance,
)

from starsize.curves import blurred_disc, fit_curve, fit_curves, focus_curve
from starsize.curves.shapes import Shape, blurred_disc_shape


def wrecked_five(trials: int) -> None:
    """Five positions with a frame wrecked, alone and beside six clean sweeps of five."""
    names = " | ".join(["clean", *WRECKS.values()])
    for company, how in ((0, "alone"), (6, "together")):
        print(f"\nFive positions, {how}: error over the joint bound of the frames left")
        print("(over the clean error; per cent in the 95.4 % interval, and answered)\n")
        print(f"| span | jitter | {names} |")
        print("|---|---|---|---|---|---|")
        errors = []
        for span in SPANS:
            for jitter in JITTERS:
                found = [
                    five_wrecked(trials, span=span, jitter=jitter, wreck=wreck, company=company)
                    for wreck in ("", *WRECKS)
                ]
                errors.append([cell.error for cell in found])
                shown = " | ".join(
                    f"{c.error:.2f} ({c.error / found[0].error:.2f}; {100 * c.in95:.0f}, "
                    f"{100 * (1 - c.refused):.0f})"
                    for c in found
                )
                print(f"| {span:g} | {100 * jitter:g} % | {shown} |", flush=True)
        print(f"| all | | {grown(np.sqrt(np.mean(np.square(errors), axis=0)))} |")


def five_wrecked(
    trials: int, *, span: float, jitter: float, wreck: str, company: int, star: float = 0.005
) -> Cell:
    """Fit a sweep of five, one of its frames wrecked, beside ``company`` clean ones."""
    shape = blurred_disc_shape()
    rows = []
    for trial in range(trials):
        rng = np.random.default_rng((13, trial))
        best = rng.uniform(-25, 25, 1 + company) + 1000
        curves = [sweep(rng, b, 5, jitter=jitter, star=star, span=span) for b in best]
        lost = -1
        if wreck:
            lost = int(rng.integers(0, 5))
            first, at = curves[0], np.arange(5) == lost
            radius, sigma = first.radius_px.copy(), first.radius_sigma_px.copy()
            radius[at], sigma[at] = spoiled(rng, radius[at], sigma[at], wreck=wreck)
            curves[0] = replace(first, radius_px=radius, radius_sigma_px=sigma)
        fit = fit_curves(curves).fits[0]
        if fit.answered:
            bound = joint_bound(best, span=span, jitter=jitter, star=star, shape=shape, lost=lost)
            within = [
                low < best[0] < high for low, high in (fit.interval68_steps, fit.interval95_steps)
            ]
            rows.append([(fit.best_steps - best[0]) ** 2 / bound[0], *within])
    if not rows:
        return Cell(error=np.nan, in68=np.nan, in95=np.nan, refused=1.0)
    mean = np.mean(rows, axis=0)
    return Cell(np.sqrt(mean[0]), mean[1], mean[2], refused=1 - len(rows) / trials)


def sweep(
    rng: np.random.Generator,
    best: float,
    n: int,
    *,
    jitter: float,
    star: float,
    span: float,
    ran: float = 0.0,
):
    """One sweep in steps, 100 to either side, floor 2 px.

    The counter ``ran`` so many steps before the camera moved.
    """
    position = np.linspace(1000 - 100.0, 1000 + 100.0, n)
    stands = np.maximum(position, position[0] + ran)
    floor = 2.0 * (1 + jitter * rng.standard_normal(n))
    slope = span * 2.0 / 100.0
    radius = np.array(
        [
            blurred_disc([p], best, f, slope_px_per_step=slope)[0]
            for p, f in zip(stands, floor, strict=True)
        ]
    )
    sigma = star * radius
    return focus_curve(position, radius + sigma * rng.standard_normal(n), sigma)


def joint_of_seven(trials: int, *, span: float, jitter: float, star: float = 0.005) -> list[float]:
    """Seven filters with five positions each, a frame wrecked in none: joint against alone."""
    shape = blurred_disc_shape()
    together, alone, bound = [], [], []
    for trial in range(trials):
        rng = np.random.default_rng((11, trial))
        best = rng.uniform(-25, 25, 7) + 1000
        curves = [sweep(rng, b, 5, jitter=jitter, star=star, span=span) for b in best]
        together.append(np.array([f.best_steps for f in fit_curves(curves).fits]) - best)
        alone.append(np.array([fit_curve(c).best_steps for c in curves]) - best)
        bound.append(joint_bound(best, span=span, jitter=jitter, star=star, shape=shape))
    bounds = np.array(bound)
    unanswered = float(np.mean(np.isnan(together)))
    both = np.isfinite(together) & np.isfinite(alone)
    scale = np.sqrt(bounds)

    def size(error: list[np.ndarray]) -> float:
        return float(np.sqrt(np.mean((np.array(error)[both] / scale[both]) ** 2)))

    return [size(together), size(alone), unanswered]


def joint_bound(
    best: np.ndarray, *, span: float, jitter: float, star: float, shape: Shape, lost: int = -1
) -> np.ndarray:
    """Variance bound of each best focus, steps squared, with floors apart and one slope.

    ``lost`` is the frame that the first sweep does without.
    """
    k = best.size
    x = np.linspace(-1, 1, 5)
    centre = (best - 1000) / 100
    slopes = derivatives(x, centre, span, shape)
    weight = 1 / variance(x, centre, span, jitter, star, shape)
    if lost >= 0:
        weight[0, lost] = 0
    information = np.zeros((2 * k + 1, 2 * k + 1))
    for i in range(k):
        own = [2 * i, 2 * i + 1, 2 * k]
        information[np.ix_(own, own)] += (slopes[i] * weight[i][:, None]).T @ slopes[i]
    return np.diag(np.linalg.inv(information))[: 2 * k : 2] * 100**2


def joint(trials: int) -> None:
    print("| span | jitter | joint / joint bound | each alone / joint bound | refused |")
    print("|---|---|---|---|---|")
    for span in SPANS:
        for jitter in JITTERS:
            one, two, refused = joint_of_seven(trials, span=span, jitter=jitter)
            print(
                f"| {span:g} | {100 * jitter:g} % | {one:.3f} | {two:.3f} | {100 * refused:.1f} % |"
            )


def refusals(trials: int) -> None:
    """Good sweeps refused, and sweeps answered whose minimum lies outside."""
    rng = np.random.default_rng(5)
    good = outside = 0
    for _ in range(trials):
        n = int(rng.choice(POSITIONS))
        cell = {
            "jitter": rng.choice(JITTERS),
            "star": rng.choice(STARS),
            "span": rng.choice(SPANS),
        }
        spacing = 200 / (n - 1)
        inside = 1000 + rng.uniform(-0.5, 0.5) * spacing
        good += not fit_curve(sweep(rng, inside, n, **cell)).answered
        beyond = 1100 + rng.uniform(0.5, 6) * spacing
        mirrored = 2000 - beyond if rng.random() < 0.5 else beyond
        outside += fit_curve(sweep(rng, mirrored, n, **cell)).answered
    print(f"good sweeps refused: {good} of {trials}")
    print(f"minimum outside by more than half a spacing, yet answered: {outside} of {trials}")


def play(trials: int) -> None:
    """The counter runs a part of a spacing before the camera moves: is it named, and how well."""
    print(
        "| positions | floors | jitter | play in spacings | named | error / stated | best focus |"
    )
    print("|---|---|---|---|---|---|---|")
    for n, floors in ((11, 5.0), (9, 4.0), (7, 2.5)):
        for jitter in (0.04, 0.10):
            for part in (0.0, 0.15, 0.3, 0.5, 0.7):
                off, best_off = [], []
                for trial in range(trials):
                    rng = np.random.default_rng((17, n, trial))
                    best = 1000 + rng.uniform(-0.5, 0.5) * 200 / (n - 1)
                    ran = part * 200 / (n - 1)
                    drawn = sweep(rng, best, n, jitter=jitter, star=0.005, span=floors, ran=ran)
                    fit = fit_curve(drawn)
                    best_off.append((fit.best_steps - best) / fit.best_sigma_steps)
                    if fit.play_steps.is_known and fit.used[1]:
                        off.append((fit.play_steps.value - ran) / fit.play_steps.sigma)
                size = np.sqrt(np.mean(np.square(off))) if off else np.nan
                print(
                    f"| {n} | {floors:g} | {100 * jitter:g} % | {part:g} | {len(off)} of {trials} "
                    f"| {size:.2f} | {np.sqrt(np.nanmean(np.square(best_off))):.1f} |",
                    flush=True,
                )
