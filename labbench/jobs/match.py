"""Choose from verified parts the one that shares current best with its neighbours on a rail."""

from __future__ import annotations

__all__ = ["MatchReport", "MatchRequest", "match_parts"]

from collections.abc import Mapping, Sequence
from pathlib import Path

from attrs import field, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.jobs.match_neighbours import (
    Neighbours,
    neighbours_of_board,
    neighbours_of_parts,
    neighbours_of_rail_file,
    read_neighbour_lines,
)
from labbench.jobs.match_offers import Offer, offers_of_shelf, offers_of_verdicts
from labbench.judging.matching import (
    NEEDED_U95,
    Candidate,
    Match,
    Phase,
    choose_donor,
)
from labbench.judging.part_resistances import Ohms, resistances
from labbench.records.folder import DataFolder
from labbench.records.rail_file import RailFile, Sensing, load_rail_file


@frozen(kw_only=True)
class MatchRequest:
    """Say what to choose from and where the part goes.

    Candidates come from `verdicts` (files, `-` for standard input), else from the shelf. Neighbours
    come from `rail_file`, else from `neighbours` (parts by name), else from what sits on `board`,
    `rail`, `serial`. `reserved_for` lets parts that are reserved for it be chosen.
    """

    verdicts: tuple[str, ...] = ()
    rail_file: Path | None = None
    neighbours: tuple[str, ...] = ()
    board: str | None = None
    rail: str | None = None
    serial: str | None = None
    type: str | None = None
    sensing: Sensing | None = None
    current_a: float | None = None
    plausible: bool = False
    reserved_for: str | None = None


@frozen(kw_only=True)
class MatchReport:
    """Hold the ranking, the phases that stay, who was left out and why.

    `words` has the disposition of each candidate; `take` is the part to take, None where none can
    be chosen; `alike` are those that nothing measured tells from it.
    """

    board: str | None
    rail: str | None
    sensing: Sensing
    phases: tuple[Phase, ...]
    matches: tuple[Match, ...]
    words: Mapping[str, str]
    left_out: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    take: str | None = None
    alike: tuple[str, ...] = field(default=())


def match_parts(request: MatchRequest, data: DataFolder) -> MatchReport:
    """Rank the parts at hand for a vacant place on a rail, the best first.

    Unfit and undecided parts are never offered, plausible ones where asked for. Raises FileProblems
    with every problem of all files, InputError where nothing can be compared.
    """
    problems: list[Problem] = []
    offers: list[Offer] = []
    notes: list[str] = []
    if request.verdicts:
        found = offers_of_verdicts(request.verdicts)
        problems += found.problems
        notes += found.notes
        offers = list(found.offers)
    else:
        offers = offers_of_shelf(data, reserved_for=request.reserved_for)
    rail: RailFile | None = None
    lines: Neighbours | None = None
    if request.rail_file is not None:
        try:
            if request.rail_file.suffix == ".toml":
                rail = load_rail_file(request.rail_file)
            else:
                lines = read_neighbour_lines(request.rail_file, sensing=request.sensing or "dcr")
        except FileProblems as error:
            problems += error.problems
    if problems:
        raise FileProblems(problems)
    stays = _neighbours(request, data, rail, lines, offers)
    current_a = request.current_a if request.current_a is not None else stays.current_a
    chosen, left_out = _offered(request, offers, stays)
    candidates: list[Candidate] = []
    for offer in chosen:
        parts = resistances(offer.judgement.characteristics, gate_source_v=stays.gate_source_v)
        candidate = _candidate(offer.specimen, parts, stays)
        if isinstance(candidate, str):
            left_out.append((offer.specimen, candidate))
        else:
            candidates.append(candidate)
    matches = choose_donor(candidates, stays.phases, vacant=stays.vacant, total_a=current_a)
    take = next((m for m in matches if not m.is_too_coarse), None)
    alike = [
        m.specimen for m in matches
        if take is not None and m is not take and not m.is_too_coarse and m.shares_like(take)
    ]  # fmt: skip
    return MatchReport(
        board=request.board or stays.board,
        rail=request.rail or stays.rail,
        sensing=stays.sensing,
        phases=stays.phases,
        matches=matches,
        words={offer.specimen: offer.judgement.disposition for offer in chosen},
        left_out=tuple(left_out),
        remarks=(*notes, *stays.remarks, *_remarks(matches, stays)),
        take=take.specimen if take else None,
        alike=tuple(alike),
    )


def _neighbours(
    request: MatchRequest,
    data: DataFolder,
    rail: RailFile | None,
    lines: Neighbours | None,
    offers: Sequence[Offer],
) -> Neighbours:
    judged = {offer.specimen: offer.judgement for offer in offers}
    if rail is not None:
        if request.sensing not in (None, rail.sensing):
            raise InputError(
                f"{request.rail_file} says sensing = {rail.sensing!r}, --sensing says "
                f"{request.sensing!r}",
                hint="leave --sensing out, or mend the file",
            )
        return neighbours_of_rail_file(rail, judged, data, file=str(request.rail_file))
    if lines is not None:
        return lines
    sensing = request.sensing or "dcr"
    if sensing == "none":
        raise InputError(
            "without a current loop everything between input and rail counts",
            hint="describe the phases in a rail file (TOML) and give it with --rail FILE",
        )
    if request.neighbours:
        return neighbours_of_parts(request.neighbours, judged, data, sensing=sensing)
    if request.board is None or request.rail is None:
        raise InputError(
            "which neighbours? Nothing says what stays on the rail",
            hint="give --rail FILE, --rail BOARD/RAIL, or --neighbour ID for each",
        )
    return neighbours_of_board(request.board, request.rail, request.serial, data, sensing=sensing)


def _offered(
    request: MatchRequest, offers: Sequence[Offer], stays: Neighbours
) -> tuple[list[Offer], list[tuple[str, str]]]:
    """Part those that may be chosen from the others, with the reason."""
    wanted = request.type or stays.type
    if wanted is None:
        types = sorted({offer.judgement.type for offer in offers if offer.why_not is None})
        if len(types) > 1:
            raise InputError(
                f"there are parts of {len(types)} types ({', '.join(types)}): which goes in?",
                hint="give --type",
            )
    chosen: list[Offer] = []
    left_out: list[tuple[str, str]] = []
    of_type = [o for o in offers if wanted is None or o.judgement.type == wanted]
    for offer in of_type:
        word = offer.judgement.disposition
        if offer.specimen in stays.specimens:
            continue
        if offer.why_not is not None:
            left_out.append((offer.specimen, offer.why_not))
        elif word == "fit" or (word == "plausible" and request.plausible):
            chosen.append(offer)
        elif word == "plausible":
            left_out.append((offer.specimen, "plausible, not fit (--plausible takes them)"))
        else:
            left_out.append((offer.specimen, word))
    if not of_type and offers:
        types = sorted({offer.judgement.type for offer in offers})
        raise InputError(
            f"there is no verified part of type {wanted}; there are: {', '.join(types)}",
            hint="give --type, if one of them may go in",
        )
    return chosen, left_out


def _candidate(specimen: str, parts: Mapping[str, Ohms], stays: Neighbours) -> Candidate | str:
    """Return a candidate, or why the part cannot be one."""
    missing = [place for place in stays.places if place not in parts]
    if missing:
        if "coil" in stays.places:
            return "its dc resistance was not measured"
        at = f" at {stays.gate_source_v:g} V" if stays.gate_source_v is not None else ""
        return f"its on-resistance was not measured{at}"
    if len(stays.places) == 1:
        ohms = parts[stays.places[0]]
        return Candidate(specimen, ohms.value_ohm, ohms.u_ohm)
    if parts["low_side"] is parts["high_side"]:
        return "one switch cannot replace both: describe one of them in the rail file"
    shares = [(stays.weights[place], parts[place]) for place in stays.places]
    return Candidate(
        specimen,
        sum(w * o.value_ohm for w, o in shares),
        sum((w * o.u_ohm) ** 2 for w, o in shares) ** 0.5,
    )


def _remarks(matches: Sequence[Match], stays: Neighbours) -> list[str]:
    found: list[str] = []
    unknown = [phase.name for phase in stays.phases if phase.u_ohm == 0.0]
    if unknown:
        found.append(f"no uncertainty is known of phase {', '.join(unknown)}: none is counted")
    coarse = [p.name for p in stays.phases if 2.0 * p.u_ohm > NEEDED_U95 * p.resistance_ohm]
    if coarse:
        found.append(
            f"phase {', '.join(coarse)} is known no better than to {100 * NEEDED_U95:g} %: all "
            "candidates share worse or better by it together"
        )
    worst = {match.worst_phase for match in matches}
    # of two phases one always has what the other lacks
    if len(matches) > 1 and len(stays.phases) > 1 and len(worst) == 1 and None not in worst:
        found.append(f"phase {worst.pop()} shares worst whichever part is taken")
    return found
