"""Generalised least squares written out, for comparison."""

from typing import NamedTuple

import numpy as np


class Plain(NamedTuple):
    """Mean and covariance of the unknowns, ln p of the data, how unknowns answer to the data."""

    mean: np.ndarray
    covariance: np.ndarray
    log_likelihood: float
    response: np.ndarray


def solve(y, design, covariance):
    """What is known beforehand enters as observations."""
    weight = np.linalg.inv(covariance)
    posterior = np.linalg.inv(design.T @ weight @ design)
    response = posterior @ design.T @ weight
    left = y - design @ response @ y
    logs = np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(posterior)[1]
    return Plain(response @ y, posterior, -0.5 * (logs + left @ weight @ left), response)
