"""Hold and print the figures of the benchmarks."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """Hold one measured figure and its goal: at most `goal` (at least, with `more_is_better`)."""

    name: str
    value: float
    unit: str
    goal: float | None = None
    more_is_better: bool = False
    note: str = ""

    @property
    def met(self) -> bool:
        """Tell whether the goal is met; True without one."""
        if self.goal is None:
            return True
        return self.value >= self.goal if self.more_is_better else self.value <= self.goal

    def line(self) -> str:
        """Give the figure as one line."""
        value = f"{self.value:.4g} {self.unit}".strip()
        goal = ""
        if self.goal is not None:
            bound = "at least" if self.more_is_better else "at most"
            goal = f"goal {bound} {self.goal:g} {self.unit}".strip()
            goal += ", met" if self.met else ", NOT MET"
        return f"{self.name:<62}{value:>12}  {goal:<28}{self.note}".rstrip()


def median(values: Sequence[float]) -> float:
    """Give the median."""
    return statistics.median(values)
