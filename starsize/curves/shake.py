"""How well the camera stands where the counter says: scatter that all sweeps share.

A focuser repeats its positions to a fraction of a step or to several. On a wing, where the star is
measured to a few parts in a thousand, that is often the largest error of all.
"""

from dataclasses import replace

import numpy as np

from .batch import LEVELS, Batch
from .family import PARAMETERS, Family
from .gauss_newton import Prior
from .mixture import normalised
from .posterior import Posterior
from .wrecks import solve_sets

GRID = np.array([0.0, 0.003, 0.006, 0.012, 0.024, 0.048])
"""Trial scatters, in units of the defocus that widens a star by its own floor."""
BEFORE = np.array([0.75, 0.08, 0.07, 0.05, 0.03, 0.02])
"""Their weights before looking: most focusers do better than the stars can tell."""


def find_shake(batch: Batch, posterior: Posterior, family: Family, prior: Prior) -> np.ndarray:
    """Scatter of the positions, scaled like x of each sweep, (k,): its mean over the trials.

    Every trial scatter is weighed by the restricted likelihood of all sweeps together, each with
    its likeliest suspects.
    """
    k = batch.x.shape[0]
    mine = np.flatnonzero(posterior.family == 0)
    heaviest = mine[posterior.log_weight[:, mine].argmax(axis=1)]
    pick = np.arange(k), heaviest
    sets = posterior.suspect[pick][:, None]
    start = posterior.parameters[pick][:, None, None, :PARAMETERS]
    # The sweeps share one focuser: the unit is taken from the middle one.
    unit = np.exp(posterior.parameters[pick][:, 1] - posterior.parameters[pick][:, 2])
    steps = float(np.median(unit * batch.half))
    evidence = []
    for trial in GRID:
        shaken = replace(batch, shake=trial * steps / batch.half)
        solution = solve_sets(shaken, family, sets, start=start, prior=prior, levels=LEVELS[::2])
        evidence.append(np.logaddexp.reduce(solution.log_evidence[:, 0], axis=-1).sum())
    mean_square = (normalised(np.array(evidence) + np.log(BEFORE)) * GRID**2).sum()
    return np.sqrt(mean_square) * steps / batch.half
