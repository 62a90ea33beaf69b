"""Put into words which part shares current best on a rail."""

from __future__ import annotations

__all__ = ["match_json", "match_lines"]

import math
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from labbench.judging.matching import NEEDED_U95, Match
from labbench.quantities import format_si
from labbench.reports.words import LINE_WIDTH, cut

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from labbench.judging.matching import Phase

#: names in a line, and parts in the ranking; JSON has all of them
_MOST_NAMES, _MOST_PARTS = 8, 12
_SENSED = {
    "dcr": "sensed across the coils (DCR)",
    "rds": "reported by on-resistance (RDS)",
    "none": "no current loop",
}


def match_lines(
    *, board: str | None, rail: str | None, sensing: str, phases: Sequence[Phase],
    matches: Sequence[Match], words: Mapping[str, str], left_out: Sequence[tuple[str, str]],
    remarks: Sequence[str], take: str | None, alike: Sequence[str], width: int = LINE_WIDTH,
) -> Iterator[str]:  # fmt: skip
    """Yield the ranking as lines of at most `width` columns, the best first."""
    where = " of ".join(text for text in (rail, board) if text) or "the rail"
    stays = "1 phase stays" if len(phases) == 1 else f"{len(phases)} phases stay"
    yield cut(f"{where}: {stays}, {_SENSED[sensing]}", width)
    if matches:
        yield f"{'':16}{'resistance (U95)':<18} {'its share (U95)':<18} worst phase"
    for match in matches[:_MOST_PARTS]:
        ohms = format_si(match.resistance_ohm, "ohm", 4)
        worst = (
            "itself" if match.worst_phase is None
            else f"{_percent(match.worst_share_error)} in {cut(match.worst_phase, 12)}"
        )  # fmt: skip
        share = f"{_percent(match.share_error)} ±{_plain(2.0 * match.u_share_error)}"
        # the U95 of its own resistance, as a share of it
        head = f"{match.specimen:<5} {words[match.specimen]:<9} {ohms:<10}"
        u = f"±{_plain(_u95_relative(match))}"
        yield f"{head}{u:<8} {share:<18} {worst}"
        if match.is_too_coarse:
            yield f"{'':6}too coarse to choose by: U95 of {_plain(NEEDED_U95)} is needed"
    if len(matches) > _MOST_PARTS:
        yield f"  {len(matches) - _MOST_PARTS} more share worse (--json has them)"
    for text in (
        *_left_out(left_out),
        *remarks,
        *_currents(matches, phases, take),
        *_advice(matches, words, take, alike, sensing),
    ):
        yield from textwrap.wrap(
            text, width, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False
        )


def match_json(
    *, board: str | None, rail: str | None, sensing: str, phases: Sequence[Phase],
    matches: Sequence[Match], words: Mapping[str, str], left_out: Sequence[tuple[str, str]],
    remarks: Sequence[str], take: str | None, alike: Sequence[str],
) -> dict[str, Any]:  # fmt: skip
    """Give the ranking as match/1; uncertainties are expanded, coverage 0.95."""
    return {
        "schema": "match/1", "board": board, "rail": rail, "sensing": sensing,
        "phases": [
            {"name": phase.name, "resistance_ohm": phase.resistance_ohm,
             "expanded_uncertainty_ohm": 2.0 * phase.u_ohm, "offset_v": phase.offset_v}
            for phase in phases
        ],
        "candidates": [
            {
                "specimen": match.specimen, "disposition": words[match.specimen],
                "resistance_ohm": match.resistance_ohm,
                "expanded_uncertainty_ohm": 2.0 * match.u_ohm,
                "share_error": match.share_error,
                "expanded_uncertainty": 2.0 * match.u_share_error,
                "worst_phase": match.worst_phase, "worst_share_error": match.worst_share_error,
                "worst_expanded_uncertainty": 2.0 * match.u_worst_share_error,
                "currents_a": None if match.currents_a is None else list(match.currents_a),
                "too_coarse": match.is_too_coarse,
            }
            for match in matches
        ],
        "left_out": [{"specimen": specimen, "why": why} for specimen, why in left_out],
        "remarks": list(remarks), "take": take, "alike": list(alike), "coverage": 0.95,
    }  # fmt: skip


def _left_out(left_out: Sequence[tuple[str, str]]) -> Iterator[str]:
    """Name those that were not compared, by reason."""
    by_reason: dict[str, list[str]] = {}
    for specimen, why in left_out:
        by_reason.setdefault(why, []).append(specimen)
    for why, names in by_reason.items():
        yield f"left out: {_names(names)}: {why}"


def _names(names: Sequence[str]) -> str:
    """Name the first few, and say how many more there are."""
    more = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")


def _currents(matches: Sequence[Match], phases: Sequence[Phase], take: str | None) -> Iterator[str]:
    """Say what each phase would carry with the part to take, where the total is known."""
    for match in matches:
        if match.specimen == take and match.currents_a is not None:
            names = [*(phase.name for phase in phases), match.specimen]
            carried = zip(names, match.currents_a, strict=True)
            said = ", ".join(f"{name} {format_si(amperes, 'A')}" for name, amperes in carried)
            yield f"currents with {take}: {said}"


def _advice(
    matches: Sequence[Match], words: Mapping[str, str], take: str | None, alike: Sequence[str],
    sensing: str,
) -> Iterator[str]:  # fmt: skip
    if not matches:
        yield "none of these can be offered: verify more parts"
        return
    if take is None:
        best = matches[0].specimen
        # of a coil most of it is where the probes touch, which averages out
        count = math.ceil((_u95_relative(matches[0]) / NEEDED_U95) ** 2)
        yield "none can be chosen: the resistances are known too coarsely. " + (
            f"Verify {best} with the multimeter on four wires, {count} times in all, pressed anew "
            "each time: the mean counts"
            if sensing == "dcr"
            else f"Verify {best} on four wires at more current, its temperature known to a kelvin"
        )
        return
    word = "" if words[take] == "fit" else f" ({words[take]}: label it so)"
    yield f"take {take}{word}: labbench shelf reserve {take} --for BOARD"
    if alike:
        yield f"as good within what was measured: {_names(alike)}"


def _u95_relative(match: Match) -> float:
    return 2.0 * match.u_ohm / match.resistance_ohm


def _percent(share: float) -> str:
    digits = 2 if abs(share) < 0.01 else 1
    return f"{100.0 * share:+.{digits}f} %"


def _plain(share: float) -> str:
    """Write an uncertainty in percent, at most seven columns."""
    percent = 100.0 * share
    if 0.0 < percent < 0.01:
        return "0.01 %"  # rounded up: nothing is known better than that
    return f"{percent:.0f} %" if percent >= 10.0 else f"{percent:.2g} %"
