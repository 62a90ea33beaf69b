"""Gather the phases that stay on a rail: from a file, from parts by name, or from a board."""

from __future__ import annotations

__all__ = [
    "Neighbours",
    "neighbours_of_board",
    "neighbours_of_parts",
    "neighbours_of_rail_file",
    "read_neighbour_lines",
]

import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path

from attrs import field, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.jobs.match_offers import judgement_of, read_lines, read_verdict
from labbench.jobs.shelf_parts import shelf_parts
from labbench.judging.matching import Phase, VacantPhase, passive_resistance
from labbench.judging.part_resistances import (
    AT_C,
    Ohms,
    resistance_of_readings,
    resistances,
)
from labbench.metrology.temperature import copper_resistance_at
from labbench.records.folder import DataFolder
from labbench.records.rail_file import PLACES, RailFile, RailPhase, Sensing
from labbench.records.readings_file import readings_from_json
from labbench.results import Judgement, Readings


@frozen(kw_only=True)
class Neighbours:
    """Hold the phases that stay and how the vacant one is made.

    `places` are what the part replaces (coil, low_side, high_side) and `weights` how much of each
    counts; `specimens` are the parts of ours among the phases, `type` their part type.
    """

    sensing: Sensing
    phases: tuple[Phase, ...]
    places: tuple[str, ...]
    weights: Mapping[str, float] = field(factory=dict)
    vacant: VacantPhase = field(factory=VacantPhase)
    board: str | None = None
    rail: str | None = None
    current_a: float | None = None
    gate_source_v: float | None = None
    type: str | None = None
    specimens: frozenset[str] = frozenset()
    remarks: tuple[str, ...] = ()


def read_neighbour_lines(path: Path, *, sensing: Sensing) -> Neighbours:
    """Read the phases that stay from readings/1 or verdict/1 lines, one phase a line.

    Raises FileProblems with every line that cannot be used.
    """
    if sensing == "none":
        raise InputError(
            f"{path} holds lines of parts; without a current loop all in the path counts",
            hint="describe the phases in a rail file (TOML)",
        )
    place = _place(sensing)
    problems: list[Problem] = []
    phases: list[Phase] = []
    types: set[str] = set()
    remarks: list[str] = []
    for number, data in read_lines(str(path)):
        if isinstance(data, Problem):
            problems.append(data)
            continue
        try:
            found: Readings | Judgement
            if data.get("schema") == "readings/1":
                found = readings_from_json(data, file=str(path), line=number)
                ohms = resistance_of_readings(found).get(place)
            else:
                found = read_verdict(data, str(path), number)
                ohms = resistances(found.characteristics).get(place)
                if found.disposition == "unfit":
                    remarks.append(f"phase {found.specimen} is itself unfit")
        except FileProblems as error:
            problems += error.problems
            continue
        if any(phase.name == found.specimen for phase in phases):
            problems.append(
                Problem(str(path), f"{found.specimen!r} came before", key="specimen", line=number)
            )
        elif ohms is None:
            text = f"{found.specimen!r} has no {_called(place)}: phases share by it"
            if place == "coil" and _has_switch(found):
                text += " (where stages report their current: --sensing rds)"
            problems.append(Problem(str(path), text, line=number))
        else:
            phases.append(Phase(found.specimen, ohms.value_ohm, ohms.u_ohm))
            types.add(found.type)
    if not problems and not phases:
        problems.append(Problem(str(path), "holds no line: no phase stays"))
    if problems:
        raise FileProblems(problems)
    return Neighbours(
        sensing=sensing, phases=tuple(phases), places=(place,), weights={place: 1.0},
        type=types.pop() if len(types) == 1 else None,
        specimens=frozenset(phase.name for phase in phases), remarks=tuple(remarks),
    )  # fmt: skip


def neighbours_of_parts(
    names: Sequence[str], judged: Mapping[str, Judgement], data: DataFolder, *, sensing: Sensing
) -> Neighbours:
    """Take the phases that stay from parts of ours, by name."""
    place = _place(sensing)
    phases: list[Phase] = []
    types: set[str] = set()
    for name in dict.fromkeys(names):
        judgement = _find(name, judged, data)
        phases.append(_phase(name, judgement, place))
        types.add(judgement.type)
    return Neighbours(
        sensing=sensing, phases=tuple(phases), places=(place,), weights={place: 1.0},
        type=types.pop() if len(types) == 1 else None, specimens=frozenset(names),
    )  # fmt: skip


def neighbours_of_board(
    board: str, rail: str, serial: str | None, data: DataFolder, *, sensing: Sensing
) -> Neighbours:
    """Take the phases that stay from the parts of ours that sit on a rail of a board."""
    place = _place(sensing)
    there = [
        part for part in shelf_parts(data)
        if part.life.state == "fitted" and part.life.place is not None
        and (part.life.place.board, part.life.place.rail) == (board, rail)
    ]  # fmt: skip
    serials = sorted({part.life.place.serial for part in there if part.life.place})
    if serial is None and len(serials) > 1:
        raise InputError(
            f"parts of yours sit on {rail} of {len(serials)} boards {board}: {', '.join(serials)}",
            hint="say which: --serial",
        )
    on_it = [
        p for p in there if p.life.place and p.life.place.serial == (serial or p.life.place.serial)
    ]
    phases: list[Phase] = []
    types: set[str] = set()
    for part in on_it:
        if place in (found := resistances(judgement_of(part).characteristics)):
            ohms = found[place]
            where = part.life.place
            name = (where.phase or where.designator) if where else None
            phases.append(Phase(name or part.specimen, ohms.value_ohm, ohms.u_ohm))
            types.add(part.type)
    if not phases:
        raise InputError(
            f"no part of yours with a {_called(place)} is known to sit on {rail} of {board}"
            + (f" {serial}" if serial else ""),
            hint="measure the neighbours and give --rail FILE, or --neighbour ID for each",
        )
    return Neighbours(
        sensing=sensing, phases=tuple(phases), places=(place,), weights={place: 1.0},
        board=board, rail=rail, type=types.pop() if len(types) == 1 else None,
        specimens=frozenset(part.specimen for part in on_it),
        remarks=("counted are the phases that hold parts of yours; others are not known",),
    )  # fmt: skip


def neighbours_of_rail_file(
    rail: RailFile, judged: Mapping[str, Judgement], data: DataFolder, *, file: str
) -> Neighbours:
    """Take the phases that stay from a rail file; raise InputError for a part nobody knows."""
    vacant = rail.vacant
    places: tuple[str, ...]
    if rail.sensing == "none":
        assert vacant is not None
        places = vacant.missing()
    else:
        places = (_place(rail.sensing),)
    weights = _weights(rail)
    problems: list[Problem] = []
    phases: list[Phase] = []
    types: set[str] = set()
    for i, phase in enumerate(rail.phases):
        if phase.vacant:
            continue
        judgement = None
        try:
            if phase.specimen is not None:
                judgement = _find(phase.specimen, judged, data)
                types.add(judgement.type)
            phases.append(_rail_phase(rail, phase, judgement))
        except InputError as error:
            problems.append(
                Problem(file, error.message, key=f"phases[{i}].specimen",
                        suggestion=_suggested(error))
            )  # fmt: skip
    if problems:
        raise FileProblems(problems)
    fixed = u_fixed = 0.0
    if vacant is not None and rail.sensing == "none":
        given = _given(vacant)
        fixed = sum(weights[place] * ohms.value_ohm for place, ohms in given.items())
        u_fixed = sum((weights[place] * ohms.u_ohm) ** 2 for place, ohms in given.items()) ** 0.5
    return Neighbours(
        sensing=rail.sensing,
        phases=tuple(phases),
        places=places,
        weights=weights,
        vacant=VacantPhase(
            fixed_ohm=fixed,
            u_fixed_ohm=u_fixed,
            # both switches of a stage are weighted when they are added up
            weight=weights[places[0]] if len(places) == 1 else 1.0,
            offset_v=vacant.offset_v if vacant is not None else 0.0,
        ),
        board=rail.board,
        rail=rail.rail,
        current_a=rail.current_a,
        gate_source_v=rail.gate_source_v,
        type=types.pop() if len(types) == 1 else None,
        specimens=frozenset(p.specimen for p in rail.phases if p.specimen),
    )


def _weights(rail: RailFile) -> dict[str, float]:
    """Say how much of each resistance counts; a weight is what one ohm adds to the path's."""
    if rail.sensing != "none":
        return dict.fromkeys(PLACES, 1.0)
    assert rail.duty is not None
    nothing = dict.fromkeys((f"{place}_ohm" for place in (*PLACES, "board")), 0.0)
    return {
        place: passive_resistance(rail.duty, **{**nothing, f"{place}_ohm": 1.0})
        for place in (*PLACES, "board")
    }


def _given(phase: RailPhase) -> dict[str, Ohms]:
    """Return what a phase of a rail file gives, the coil at 25 degrees."""
    given = {
        "coil": phase.coil, "low_side": phase.low_side, "high_side": phase.high_side,
        "board": phase.board,
    }  # fmt: skip
    found = {place: Ohms(ohms.value_ohm, ohms.u_ohm) for place, ohms in given.items() if ohms}
    if phase.temperature_c is not None and "coil" in found:
        factor = copper_resistance_at(1.0, phase.temperature_c, AT_C)
        coil = found["coil"]
        found["coil"] = Ohms(coil.value_ohm * factor, coil.u_ohm * factor)
    return found


def _rail_phase(rail: RailFile, phase: RailPhase, judgement: Judgement | None) -> Phase:
    given = _given(phase)
    if judgement is not None:
        own = resistances(judgement.characteristics, gate_source_v=rail.gate_source_v)
        wanted = phase.missing() if rail.sensing == "none" else (_place(rail.sensing),)
        for place in wanted:
            if place not in own:
                raise InputError(f"{judgement.specimen} was verified without its {_called(place)}")
            given[place] = own[place]
    weights = _weights(rail)
    places = tuple(weights) if rail.sensing == "none" else (_place(rail.sensing),)
    counted = [(weights[place], given[place]) for place in places if place in given]
    return Phase(
        phase.name,
        sum(w * o.value_ohm for w, o in counted),
        sum((w * o.u_ohm) ** 2 for w, o in counted) ** 0.5,
        phase.offset_v,
    )


def _phase(name: str, judgement: Judgement, place: str) -> Phase:
    ohms = resistances(judgement.characteristics).get(place)
    if ohms is None:
        raise InputError(
            f"{name} was verified without its {_called(place)}: phases share by it",
            hint=f"verify it again with the supply and the multimeter: labbench verify "
            f"{judgement.type} --specimen {name}",
        )
    return Phase(name, ohms.value_ohm, ohms.u_ohm)


def _find(name: str, judged: Mapping[str, Judgement], data: DataFolder) -> Judgement:
    """Find a part among the verdicts given, else in the store."""
    known = dict(judged)
    if name not in known and data.journals.is_dir():
        known |= {part.specimen: judgement_of(part) for part in shelf_parts(data)}
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        raise InputError(
            f"there is no verdict on {name!r}",
            hint=f"did you mean {near[0]}?" if near else "verify it, or give its resistance",
        )
    return known[name]


def _suggested(error: InputError) -> str | None:
    hint = error.hint or ""
    return hint[len("did you mean ") : -1] if hint.startswith("did you mean ") else None


def _has_switch(found: Readings | Judgement) -> bool:
    """Tell whether a line gives an on-resistance."""
    if isinstance(found, Readings):
        return "low_side" in resistance_of_readings(found)
    return "low_side" in resistances(found.characteristics)


def _place(sensing: Sensing) -> str:
    return "low_side" if sensing == "rds" else "coil"


def _called(place: str) -> str:
    return "dc resistance" if place == "coil" else "on-resistance"
