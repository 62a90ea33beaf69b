"""Hold what the detection study of coils found against the goals, with what was counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Protocol

from tests.studies.tally import lower_bound, upper_bound

_SHORTS = ("short 5e-05", "short 0.0005", "short 0.005", "short 0.05", "short 0.2")
#: the six types over which the goals' means are taken
_SIX = ("moulded-150n", "moulded-470n", "moulded-1u0", "moulded-4u7", "moulded-22u", "moulded-100u")


class Counted(Protocol):
    """Be what was counted of parts of one kind."""

    parts: int
    unfit: int
    undecided: int


#: what is wanted of the mean over the six types: mode, meter, fault, percent
MEANS = (
    ("nominal", "hand-100kHz", "short 0.5", 90.0),
    ("nominal", "hand-100kHz", "short 1", 70.0),
    ("siblings", "hand-100kHz", "short 0.5", 99.9),
    ("siblings", "hand-100kHz", "short 1", 95.0),
    ("siblings", "hand-100kHz", "short 3", 73.0),
    ("nominal", "bench-1MHz", "short 1", 99.9),
    ("nominal", "bench-1MHz", "short 3", 85.0),
    ("nominal", "bench-1MHz", "short 10", 43.0),
    ("siblings", "bench-1MHz", "short 3", 99.9),
    ("siblings", "bench-1MHz", "short 10", 96.0),
    ("siblings", "bench-1MHz", "short 30", 60.0),
    ("siblings", "bench-1MHz", "fused", 100.0),
    ("siblings", "bench-1MHz", "crack 0.66", 99.9),
    ("siblings", "bench-1MHz", "crack 0.8", 92.0),
    ("siblings", "bench-1MHz", "crack 0.86", 60.0),
    ("nominal", "bench-1MHz", "lossy 4", 85.0),
    ("siblings", "bench-1MHz", "lossy 4", 100.0),
    ("siblings", "bench-1MHz", "lossy 2", 99.0),
    ("siblings", "bench-1MHz", "joint 1.25", 99.9),
    ("siblings", "bench-1MHz", "joint 1.2", 96.0),
    ("siblings", "bench-1MHz", "joint 1.1", 50.0),
)
_MODES = {"nominal": "type data", "siblings": "siblings", "wrong lot": "siblings of another lot"}
#: mode, meter, kind, what is wanted of the worst type, percent, and whether of the bound
_SOUND = (
    ("nominal", "hand-100kHz", "healthy", 1.5, True),
    ("nominal", "bench-1MHz", "healthy", 1.5, True),
    ("siblings", "hand-100kHz", "healthy", 1.5, True),
    ("siblings", "bench-1MHz", "healthy", 1.5, True),
    ("nominal", "hand-100kHz", "healthy x1.4", 3.0, False),
    ("nominal", "bench-1MHz", "healthy x1.4", 3.0, False),
    ("siblings", "hand-100kHz", "healthy x1.4", 3.0, False),
    ("siblings", "bench-1MHz", "healthy x1.4", 3.0, False),
    ("wrong lot", "hand-100kHz", "healthy", 5.0, False),
    ("wrong lot", "bench-1MHz", "healthy", 5.0, False),
)


def goal_lines(
    look: Callable[[str, str, str, str], Counted | None], types: Sequence[str]
) -> Iterator[str]:
    """Yield a table of goals and findings; `look` gives a count by (mode, meter, type, kind)."""
    closed = [t for t in types if t.startswith(("moulded", "gapped"))]
    six = [t for t in _SIX if t in types]

    def counts(mode: str, meter: str, kinds: Sequence[str], of: Sequence[str]) -> list[Counted]:
        found = (look(mode, meter, t, k) for t in of for k in kinds)
        return [c for c in found if c is not None and c.parts]

    yield "| goal | wanted | found |"
    yield "|---|---|---|"
    for meter in ("bench-300kHz", "bench-1MHz"):
        parts = counts("nominal", meter, _SHORTS, closed)
        if parts:
            yield (
                f"| one turn shorted, to 0.2 ohm, type data, {meter}, powder and ferrite | "
                f"99.9 % | {_rate(parts)} |"
            )
    hand = counts("nominal", "hand-100kHz", _SHORTS, six)
    if hand:
        mean = sum(100.0 * c.unfit / c.parts for c in hand) / len(hand)
        worst = min(100.0 * c.unfit / c.parts for c in hand)
        yield (
            "| one turn shorted, to 0.2 ohm, type data, hand-100kHz, mean of six types; worst | "
            f"99 %; 88 % | {mean:.1f} % of {sum(c.parts for c in hand)}; {worst:.0f} % |"
        )
    for mode, meter, kind, wanted in MEANS:
        parts = counts(mode, meter, (kind,), six)
        if parts:
            mean = sum(100.0 * c.unfit / c.parts for c in parts) / len(parts)
            met = "" if round(mean, 1) >= wanted else ", missed"
            yield (
                f"| {kind}, {_MODES[mode]}, {meter}, mean of six types | {wanted:g} % | "
                f"{mean:.1f} % of {sum(c.parts for c in parts)}{met} |"
            )
    for mode, meter, kind, wanted, bound in _SOUND:
        rows = [(t, c) for t in types for c in counts(mode, meter, (kind,), (t,))]
        if not rows:
            continue
        worst, count = max(rows, key=lambda row: row[1].unfit / row[1].parts)
        share = 100.0 * count.unfit / count.parts
        above = 100.0 * upper_bound(count.unfit, count.parts)
        met = "" if (above if bound else share) <= wanted else ", missed"
        yield (
            f"| sound, called unfit: {kind}, {_MODES[mode]}, {meter}, worst type | at most "
            f"{wanted:g} %{' (bound)' if bound else ''} | {share:.2g} % of {count.parts} "
            f"(at most {above:.2g} %; {worst.removeprefix('moulded-')}){met} |"
        )


def _rate(parts: Sequence[Counted]) -> str:
    unfit, count = sum(c.unfit for c in parts), sum(c.parts for c in parts)
    return (
        f"{100.0 * unfit / count:.4g} % of {count} (at least "
        f"{100.0 * lower_bound(unfit, count):.2f} %)"
    )
