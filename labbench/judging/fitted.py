"""Judge a board after a repair, unpowered: its load again, and the fitted phase in place.

All phases hang on one input and one rail. A high side that is short shows at every phase, and least
at its own: at the others two coils lie between. A leak shows at all alike, in parallel with
everything else that lies from input to ground and through the load; a low side lies parallel to the
load and shows only there. A coil shows alone: it is milliohms where all besides is much more.
"""

from __future__ import annotations

__all__ = ["judge_fitted"]

import math
from collections.abc import Sequence
from statistics import median

from attrs import evolve

from labbench.judging.load import LoadJudgement, LoadWord
from labbench.quantities import format_si
from labbench.results import Estimate, PhaseReading, WouldDecide

#: below these a switch is short, or something leaks that no converter in order does (assumed)
_SHORT_OHM, _LEAK_OHM = 1e3, 10e3
#: coils of one type differ by less than this share (assumed: 10 % tolerance each), and joints of a
#: coil, or probes on other lands, by less than this (estimates)
_COIL_SHARE, _JOINT_OHM = 0.2, 0.5e-3

_REFLOW = WouldDecide("reflow", "reflow both joints of the coil, clean, and read again")
_LIFT = WouldDecide(
    "lift-coil", "lift one end of the fitted coil and read again: that parts it from the others"
)
_INSPECT = WouldDecide("inspect", "look for solder across the coil and for a wrong part")


def judge_fitted(
    load: LoadJudgement, phases: Sequence[PhaseReading], *, coil: Estimate | None = None
) -> LoadJudgement:
    """Return the judgement of the load with what the phases say; the worse word stays.

    `coil` is the resistance (ohm) that the fitted coil had off the board. `dead` here means: do not
    power it.
    """
    found = evolve(load, when="after-fitting", phases=tuple(phases))
    remarks = (*load.remarks, *_masked(phases))
    worst: LoadWord = load.word
    reasons: list[str] = []
    would = list(load.would_decide)
    for word, because, ask in (*_switches(phases), *_coils(phases, coil)):
        if word == "dead" or worst != "dead":
            worst = word
        reasons.append(because)
        would += [ask] if ask is not None and ask not in would else []
    if load.word == "dead" or not reasons:
        because = "; ".join([load.because, *reasons])
    else:
        because = "; ".join([*reasons, f"load {load.word}: {load.because}"])
    return evolve(found, word=worst, because=because, would_decide=tuple(would), remarks=remarks)


_Said = tuple[LoadWord, str, WouldDecide | None]


def _switches(phases: Sequence[PhaseReading]) -> list[_Said]:
    """Say what is wrong between the input and the switch nodes."""
    read = [p for p in phases if p.vin_sw_ohm is not None]
    if not read:
        return []
    least = min(read, key=lambda p: p.vin_sw_ohm or 0.0)
    ohm = least.vin_sw_ohm or 0.0
    if ohm >= _LEAK_OHM:
        return []
    text = f"input to switch node: {format_si(ohm, 'Ω')}"
    if ohm >= _SHORT_OHM:
        which = " at every phase" if len(read) > 1 else ""
        return [("undecided", f"{text}{which}: something leaks", _LIFT)]
    others = [p.vin_sw_ohm - ohm for p in read if p is not least and p.vin_sw_ohm is not None]
    apart = min(others, default=math.inf)
    if apart <= 3.0 * (least.u_vin_sw_ohm or 0.0):
        return [("dead", f"{text}: a high side is short, the phases read alike", _LIFT)]
    whose = "the fitted part" if least.fitted else "not the part that was fitted"
    said = f"{text} at phase {least.phase}: its high side is short ({whose})"
    return [("dead", said, None)]


def _coils(phases: Sequence[PhaseReading], coil: Estimate | None) -> list[_Said]:
    """Say what is wrong between the switch nodes and the rail."""
    said: list[_Said] = []
    for phase in phases:
        where = f"switch node to rail at phase {phase.phase}"
        if phase.sw_rail_ohm is None:
            least = format_si(phase.sw_rail_greater_than_ohm or 0.0, "Ω")
            said.append(("undecided", f"{where}: more than {least}, not joined", _REFLOW))
            continue
        if not phase.fitted:
            continue
        others = [p.sw_rail_ohm for p in phases if p is not phase and p.sw_rail_ohm is not None]
        u = phase.u_sw_rail_ohm or 0.0
        for name, reference, u_reference in (
            ("its neighbours", median(others) if others else None, u),
            (
                "what the coil had off the board",
                coil.value if coil is not None else None,
                coil.u if coil is not None else 0.0,
            ),
        ):
            if reference is None:
                continue
            away = phase.sw_rail_ohm - reference
            allowed = _COIL_SHARE * reference + _JOINT_OHM + 2.0 * math.hypot(u, u_reference)
            numbers = (
                f"{where}: {format_si(phase.sw_rail_ohm, 'Ω')}, {name} {format_si(reference, 'Ω')}"
            )
            if away > allowed:
                said.append(("undecided", f"{numbers}: a poor joint?", _REFLOW))
            elif away < -min(allowed, 0.5 * reference):
                said.append(("undecided", f"{numbers}: bridged, or another part?", _INSPECT))
    return said


def _masked(phases: Sequence[PhaseReading]) -> tuple[str, ...]:
    """Say what parallel phases hide."""
    if not phases:
        return ()
    bounds = [p.vin_sw_ohm or p.vin_sw_greater_than_ohm or math.inf for p in phases]
    least = format_si(min(bounds), "Ω") if min(bounds) < math.inf else "what can be read"
    return (
        f"a leak of a high side above {least} is hidden by what lies parallel to it; a low side "
        "lies parallel to the load and is not seen apart from it",
    )
