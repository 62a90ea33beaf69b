"""Put a judgement into one line: id, word, reason with one number, next action."""

from __future__ import annotations

__all__ = [
    "LINE_WIDTH",
    "cut",
    "fault_words",
    "limits_text",
    "next_action",
    "path_words",
    "reason",
    "resonance_words",
    "short_text",
    "value_text",
    "verdict_line",
    "why_lines",
]

import math
import re
from collections.abc import Iterable, Iterator

from labbench.judging.cooling import STILL_WARM
from labbench.judging.resonance import resonance_text, self_resonance
from labbench.quantities import format_si
from labbench.reports.characteristic_names import characteristic_words, spoken_name
from labbench.results import Characteristic, Finding, Judgement, Readings

LINE_WIDTH = 80
#: what would settle a part whose readings or siblings are in doubt; its first remark says why
_DOUBTED = ("repeat", "press-again", "more-siblings", "seat-again")
_FREQUENCY = re.compile(r" at [\d.]+ [kMG]?Hz$")
# below its corner a loop of shorted turns is the same function as a core that relaxes too low
_TWINS = (("shorted-turn", "lossy-core"),)
#: what a part is known by, in the order in which it is told
_KNOWN_BY = {
    "inductance": "{}",
    "dc-resistance": "{}",
    "saturation": "saturates at {}",
    "insulation": "insulation {}",
    "on-resistance": "{} on",
    "on-resistance-vin-sw": "{} high side",
    "on-resistance-sw-pgnd": "{} low side",
    "threshold": "threshold {}",
    "drain-leakage": "leaks {}",
    "hs-leak-vin-sw": "leaks {}",
}
_USUAL = 2
#: so that a long id or action leaves room for the reason
_WIDEST_NAME, _WIDEST_ACTION = 24, 20
_ACTIONS = {"fit": "solder it in", "unfit": "bin it", "plausible": "label it so"}
#: what a would-decide action is called in the last column of the verdict line
_SHORT_ACTIONS = {
    "use-multimeter": "use multimeter",
    "measure-dc-resistance": "measure the ohms",
    "measure-impedance": "take the sweep",
    "wait": "wait, press again",
    "press-again": "press again",
    "more-siblings": "measure siblings",
    "higher-frequency": "use faster meter",
    "look": "look at it",
    "repeat": "measure again",
    "wash": "wash, dry, again",
}


def fault_words(fault: str) -> str:
    """Return a fault's name as spoken: `shorted-turn` becomes `shorted turn`."""
    return fault.replace("-", " ")


def path_words(finding: Finding) -> str:
    """Return where a fault sits, to stand behind its name; nothing where it has no path."""
    return f", {finding.path}" if finding.path else ""


def limits_text(characteristic: Characteristic) -> str:
    """Return `376-564 nH`, `below 564 nH` or `above 376 nH`; nothing where there is no limit."""
    unit = characteristic.unit
    # an infinite limit is none
    lower, upper = (
        limit if limit is not None and math.isfinite(limit) else None
        for limit in (characteristic.lower, characteristic.upper)
    )
    if lower is not None and upper is not None:
        high = format_si(upper, unit)
        number, _, suffix = high.partition(" ")
        scale = upper / float(number) if float(number) else 1.0
        return f"{lower / scale:.3g}-{number} {suffix}"
    if upper is not None:
        return f"below {format_si(upper, unit)}"
    if lower is not None:
        return f"above {format_si(lower, unit)}"
    return ""


def value_text(characteristic: Characteristic) -> str:
    """Return the value as measured, with the frequency it holds for where it has one."""
    if characteristic.value is None:
        words = characteristic.status.replace("-", " ")
        return "not measured" if words == "ok" else words
    if not math.isfinite(characteristic.value):
        return "over range"
    text = format_si(characteristic.value, characteristic.unit)
    if drop := characteristic.conditions.get("drop"):
        return f"falls {100.0 * drop:.0f} % at {text}"
    frequency = characteristic.conditions.get("frequency_hz")
    return f"{text} at {format_si(frequency, 'Hz')}" if frequency else text


def _number_for(finding: Finding, judgement: Judgement) -> str:
    """Choose the one number that shows this fault best."""
    wanted = {
        "high-resistance-joint": ("dc-resistance",),
        "open-winding": (),
        "winding-to-core-leak": ("insulation",),
        "not-as-marked": ("inductance", "dc-resistance", "saturation"),
    }.get(finding.fault, ("inductance",))
    for name in wanted:
        for characteristic in judgement.characteristics:
            if characteristic.name == name and characteristic.verdict == "fails":
                return _against_limits(characteristic)
    return finding.because


def _against_limits(characteristic: Characteristic) -> str:
    """Return "41 nH at 100 kHz, should be 376-564": the same unit is not said twice."""
    value, limits = value_text(characteristic), limits_text(characteristic)
    figures, _, unit = limits.rpartition(" ")
    if unit and f" {unit}" in value:
        limits = figures
    return f"{value}, should be {limits}" if limits else value


def reason(judgement: Judgement, *, room: int | None = None) -> str:
    """Return the reason for the disposition, with one number.

    With `room` (columns) the first of several wordings that fits, else the shortest.
    """
    wordings = _wordings(judgement)
    if room is None:
        return wordings[0]
    fitting = [text for text in wordings if len(text) <= room]
    return fitting[0] if fitting else min(wordings, key=len)


def _wordings(judgement: Judgement) -> list[str]:
    """Return the reason in full, then shorter."""
    if judgement.disposition == "undecided" and STILL_WARM in judgement.remarks:
        # whatever else is seen may cool away
        return [STILL_WARM]
    if judgement.disposition in ("unfit", "undecided") and judgement.findings:
        finding = judgement.findings[0]
        fault, number = fault_words(finding.fault), _number_for(finding, judgement)
        both = _with_twin(finding)
        return [
            f"{both}: {number}",
            *([f"{both}: {clause}"] if (clause := _first_clause(number)) else []),
            f"{both}: {_shorter(number)}",
            f"{fault}: {number}",
            *([f"{fault}: {clause}"] if clause else []),
            f"{fault}: {_shorter(number)}",
            f"{fault}: {_shorter(number).replace('should be ', 'not ')}",
        ]
    if judgement.disposition == "unfit":
        for characteristic in judgement.characteristics:
            if characteristic.verdict == "fails":
                name = spoken_name(characteristic.name)
                text = _against_limits(characteristic)
                return [f"{name} {text}", f"{name} {_shorter(text)}"]
    if judgement.disposition == "undecided":
        for characteristic in judgement.characteristics:
            name = spoken_name(characteristic.name)
            if characteristic.verdict == "not-measured":
                # readings that cannot be right are left out: that is why nothing is known
                doubted = _first_action(judgement) in _DOUBTED and judgement.remarks
                if not doubted:
                    return [f"{name} not measured"]
                why = judgement.remarks[0]
                return [why, clause] if (clause := _first_clause(why)) else [why]
            if characteristic.verdict == "undecided":
                value = value_text(characteristic)
                return [f"{name} {value}, too close to the limit", f"{name} {value}: too close"]
        if judgement.remarks:
            return [judgement.remarks[0]]
        if judgement.would_decide:
            return [judgement.would_decide[0].text]
    if judgement.disposition == "plausible" and judgement.remarks:
        first = judgement.remarks[0]
        return [f"no sign of a fault; {first}", first]
    seen = _known_by(judgement.characteristics)
    if not seen:
        return ["no sign of a fault"]
    wordings = []
    for count in range(len(seen), 1, -1):
        values = ", ".join(seen[:count])
        wordings.append(f"{values}, no sign of a fault")
        if count > _USUAL:
            # what was measured beyond the usual says more than that nothing was seen
            wordings.append(values)
    return wordings or [f"{seen[0]}, no sign of a fault"]


def _known_by(characteristics: Iterable[Characteristic]) -> list[str]:
    """Return the values that a part is known by; of several alike the last (the highest gate)."""
    good = {
        c.name: format_si(c.value, c.unit)
        for c in characteristics
        if c.value is not None and math.isfinite(c.value) and c.verdict == "conforms"
    }
    known = [words.format(good[name]) for name, words in _KNOWN_BY.items() if name in good]
    return known or list(good.values())


def _first_action(judgement: Judgement) -> str:
    return judgement.would_decide[0].action if judgement.would_decide else ""


def _with_twin(finding: Finding) -> str:
    """Return the fault, with the one that no sweep can tell from it where that is so."""
    for one, other in _TWINS:
        for fault, twin in ((one, other), (other, one)):
            if finding.fault == fault and twin in finding.alternatives:
                return f"{fault_words(fault)} or {fault_words(twin)}"
    return fault_words(finding.fault)


def _first_clause(text: str) -> str:
    """Return what stands before the first comma or colon; nothing where limits follow it."""
    return "" if ", should be " in text else re.split(r"[,:;] ", text)[0]


def _shorter(text: str) -> str:
    """Say the same in fewer columns: the frequency of a limit is known, a fall is plain."""
    falls = "inductance falls from "
    if text.startswith(falls):
        return text.removeprefix(falls).replace(" to ", " but ")
    for subject in ("the winding resists ", "on-resistance "):
        text = text.removeprefix(subject)
    value, comma, rest = text.partition(", should be ")
    return f"{_FREQUENCY.sub('', value)}{comma}{rest}"


def next_action(judgement: Judgement) -> str:
    """Return what to do with the specimen now."""
    if judgement.disposition == "undecided":
        for would in judgement.would_decide:
            if would.action == "wait" and would.text.startswith("wait "):
                return f"{would.text}, pedal"
            return _SHORT_ACTIONS.get(would.action, would.action.replace("-", " "))
        return "measure again"
    return _ACTIONS[judgement.disposition]


def verdict_line(judgement: Judgement, *, width: int = LINE_WIDTH) -> str:
    """Return the line at a terminal, at most `width` columns; a long reason ends in an ellipsis."""
    from rich.cells import cell_len

    name = cut(judgement.specimen, _WIDEST_NAME)
    head = f"{name}{' ' * (4 - cell_len(name))} {judgement.disposition.upper():<10} "
    action = cut(next_action(judgement), _WIDEST_ACTION)
    room = width - cell_len(head) - cell_len(action) - 2
    text = cut(reason(judgement, room=room), room)
    return f"{head}{text}{' ' * (room - cell_len(text))}  {action}"


def cut(text: str, columns: int) -> str:
    """Return text in one line of at most so many columns; what is cut ends in an ellipsis."""
    from rich.cells import cell_len, set_cell_size

    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if cell_len(line) <= columns:
        return line
    return set_cell_size(line, columns - 1).rstrip(" ,;:") + "…"


def why_lines(judgement: Judgement) -> Iterator[str]:
    """Yield the statistics behind a judgement, a line each."""
    for characteristic in judgement.characteristics:
        parts = [f"{characteristic_words(characteristic)}: {value_text(characteristic)}"]
        if characteristic.expanded_uncertainty is not None:
            parts.append(
                f"± {format_si(characteristic.expanded_uncertainty, characteristic.unit, 2)} "
                f"({100.0 * characteristic.coverage:.0f} %)"
            )
        if limits := limits_text(characteristic):
            parts.append(f"limits {limits}")
        parts.append(characteristic.verdict)
        if characteristic.probability_conforming is not None:
            parts.append(f"P(conforms) = {characteristic.probability_conforming:.4f}")
        yield "  ".join(parts)
    for finding in judgement.findings:
        others = _or(fault_words(name) for name in finding.alternatives)
        yield (
            f"{finding.grade}: {fault_words(finding.fault)}{path_words(finding)}"
            + (f" (or {others})" if others else "")
            + f": {finding.because}; P = {finding.probability:.4f}"
        )
        if line := short_text(finding):
            yield f"  {line}"
    for would in judgement.would_decide:
        yield f"would decide: {would.text}"
    for remark in judgement.remarks:
        yield f"note: {remark}"


def resonance_words(readings: Readings) -> str:
    """Return where the coil resonates with itself, or the frequency that it lies above."""
    return resonance_text(self_resonance(readings.impedance))


def short_text(finding: Finding) -> str:
    """Return what is known of a short's resistance: a number with its interval, or a band."""
    resistance = finding.details.get("short_resistance_ohm")
    if not isinstance(resistance, dict):
        return ""
    lower, upper = resistance.get("lower"), resistance.get("upper")
    value = resistance.get("value")
    if value is not None and lower is not None and upper is not None:
        return (
            f"resistance of the short about {format_si(value, 'Ω', 2)} "
            f"({format_si(lower, 'Ω', 2)} to {format_si(upper, 'Ω', 2)})"
        )
    if lower is not None and upper is not None:
        return (
            f"resistance of the short between {format_si(lower, 'Ω', 2)} "
            f"and {format_si(upper, 'Ω', 2)}"
        )
    return ""


def _or(words: Iterable[str]) -> str:
    return " or ".join(words)
