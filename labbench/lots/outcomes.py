"""Tell from the shop's own history how often the load survives when a power stage burns.

Boards of one type are alike, and types are alike to a degree that the history itself tells: the
survival p of a type is drawn from a beta distribution of mean mu and weight kappa, mu uniform on
(0, 1), kappa uniform in its logarithm from 1 to 100. Both are integrated out on a grid
(beta-binomial with a hyperprior, no single kappa picked). With many boards of a type its own count
decides; with few, all types together; with none, only they. The interval is that of p, 95 %, equal
tails.
"""

from __future__ import annotations

__all__ = ["Survival", "load_survival"]

from collections.abc import Callable, Mapping

import numpy as np
from attrs import frozen
from scipy.special import betainc, betaln

from labbench.errors import InputError

_COVERAGE = 0.95
_MU = (np.arange(80) + 0.5) / 80.0
_KAPPA = np.geomspace(1.0, 100.0, 40)


@frozen
class Survival:
    """Hold how often the load survives on a type of board: mean and interval of the probability.

    `own_alive` of `own_boards` are this type's, `all_boards` those of every type.
    """

    board: str
    mean: float
    lower: float
    upper: float
    own_alive: int
    own_boards: int
    all_boards: int

    @property
    def is_pooled(self) -> bool:
        """Tell whether other types of board speak with this one's own history."""
        return self.all_boards > self.own_boards


def load_survival(outcomes: Mapping[str, tuple[int, int]], board: str) -> Survival:
    """Return the survival of the load on a type of board.

    `outcomes` has (boards whose load was alive, boards) for each type; `board` may be absent.
    Raises InputError for counts that cannot be.
    """
    for name, (alive, boards) in outcomes.items():
        if not 0 <= alive <= boards:
            raise InputError(f"{name}: {alive} of {boards} boards alive cannot be")
    mu, kappa = np.meshgrid(_MU, _KAPPA, indexing="ij")
    a, b = mu * kappa, (1.0 - mu) * kappa
    logarithm = np.zeros_like(a)
    for alive, boards in outcomes.values():
        logarithm += betaln(a + alive, b + boards - alive) - betaln(a, b)
    weight = np.exp(logarithm - logarithm.max())
    weight /= weight.sum()
    alive, boards = outcomes.get(board, (0, 0))
    a, b = a + alive, b + boards - alive
    mean = float((weight * a / (a + b)).sum())

    def below(p: float) -> float:
        return float((weight * betainc(a, b, p)).sum())

    tail = (1.0 - _COVERAGE) / 2.0
    return Survival(
        board=board,
        mean=mean,
        lower=_solve(below, tail),
        upper=_solve(below, 1.0 - tail),
        own_alive=alive,
        own_boards=boards,
        all_boards=sum(boards for _, boards in outcomes.values()),
    )


def _solve(below: Callable[[float], float], target: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if below(middle) < target:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
