"""Count words over parts, and put counts and their bounds into tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from attrs import define, field
from scipy.stats import beta

from labbench.results import Judgement

WORDS = ("unfit", "undecided", "plausible", "fit")


@define
class Tally:
    """Count what was said of the parts of one row."""

    count: int = 0
    words: Counter[str] = field(factory=Counter)
    #: called unfit, and the fault named right
    named: int = 0
    #: other roads to the same parts: name -> how many were called unfit
    unfit_by: Counter[str] = field(factory=Counter)
    asked_by: Counter[str] = field(factory=Counter)

    def add(self, judgement: Judgement, *, named: bool = False) -> None:
        """Count one part."""
        self.count += 1
        self.words[judgement.disposition] += 1
        self.named += named and judgement.disposition == "unfit"

    def also(self, road: str, bad: bool) -> None:
        """Count what another road said of the part."""
        self.asked_by[road] += 1
        self.unfit_by[road] += bad

    def merged(self, other: Tally) -> Tally:
        """Add two tallies."""
        return Tally(
            self.count + other.count, self.words + other.words, self.named + other.named,
            self.unfit_by + other.unfit_by, self.asked_by + other.asked_by,
        )  # fmt: skip

    def share(self, word: str) -> float:
        """Give the per cent of parts with a word."""
        return 100.0 * self.words[word] / self.count

    @property
    def named_share(self) -> str:
        """Give the per cent named right of those called unfit; nothing where there is none."""
        bad = self.words["unfit"]
        return f"{100.0 * self.named / bad:.0f}" if bad else ""

    def share_by(self, road: str) -> str:
        """Give the per cent that another road called unfit; nothing where it was not asked."""
        asked = self.asked_by[road]
        return f"{100.0 * self.unfit_by[road] / asked:.0f}" if asked else ""


def upper_bound(hits: int, count: int, confidence: float = 0.95) -> float:
    """Return the one-sided upper bound of a share (Clopper and Pearson 1934)."""
    if hits >= count:
        return 1.0
    return float(beta.ppf(confidence, hits + 1, count - hits))


def lower_bound(hits: int, count: int, confidence: float = 0.95) -> float:
    """Return the one-sided lower bound of a share."""
    return 1.0 - upper_bound(count - hits, count, confidence)


def lines_of(header: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Put rows into a table."""
    return [
        "| " + " | ".join(header) + " |",
        "|" + "---|" * len(header),
        *("| " + " | ".join(row) + " |" for row in rows),
    ]


def named_right(judgement: Judgement, fault: str, paths: Sequence[str]) -> bool:
    """Tell whether the first finding, or one of its alternatives, is the truth."""
    if not judgement.findings:
        return False
    first = judgement.findings[0]
    if first.fault == fault and (not paths or first.path in paths):
        return True
    allowed = {fault, *(f"{fault} {path}" for path in paths)}
    return any(other in allowed for other in first.alternatives)
