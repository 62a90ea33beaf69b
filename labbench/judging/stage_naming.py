"""Name the fault of a power stage from which readings moved, and which did not.

Fault -> what moves: a shorted switch its path, its diode and its leakage; a leak beside a switch
its leakage only; an output stuck high opens the low side and makes the high side conduct with pwm
open, stuck low the other way round; stuck off opens both with sound diodes, a bond of the switch
node opens both with the diodes; without a bootstrap only the high side does not open; a leak at the
driver's supply or at the bootstrap moves the standby current, and tells itself at 0.2 V; a leaking
gate shows in the driver's current in that state alone.
"""

from __future__ import annotations

__all__ = ["Moved", "name_stage_faults"]

from collections.abc import Iterable, Iterator, Mapping, Sequence

from attrs import frozen

from labbench.judging.stage_quantities import GATE_BALANCE, GATE_CURRENT, GATES, MONITOR_BALANCE
from labbench.parts.stage_steps import (
    BODY_DIODE,
    DRIVER_SUPPLY,
    HS_LEAK,
    LS_LEAK,
    ON_RESISTANCE,
    PWM_CURRENT,
    PWM_OPEN,
    SHORT,
    TRI_STATE,
    UNDERVOLTAGE,
    VIN_LEAK,
)
from labbench.quantities import format_si
from labbench.results import Finding, Grade, Readings, StageReading

_SHORT_OHM = 1e3
#: a commanded switch with more than this, or with pwm open one with less, does the opposite
_OPEN_OHM, _CONDUCTS_OHM = 1.0, 10.0
#: a forward voltage that much above what it should be is another diode's
_NO_DIODE_V = 0.1
_SIGNAL = {"pwm-pgnd": "pwm", "en-pgnd": "en"}
_STABLE_RATIO = 1.3
#: two currents that differ by less are taken for one leak: what is healthy spreads by 8 %
_SAME_LEAK = 1.6


@frozen
class Moved:
    """Hold one quantity that lies beyond what healthy stages show: by limits or by siblings."""

    step: str
    path: str
    state: str
    higher: bool
    sure: bool
    p: float
    value: float | None
    expected: float | None
    unit: str
    #: what `expected` is: "should be" a nominal value, "should be below" a limit, "its siblings"
    relation: str = "should be"

    @property
    def text(self) -> str:
        """Say it in words, with its numbers."""
        value = "over range" if self.value is None else self._shown(self.value)
        should = "" if self.expected is None else f", {self.relation} {self._shown(self.expected)}"
        state = f" ({self.state})" if self.state not in ("", "+") else ""
        return f"{self.step.replace('-', ' ')} {self.path}{state} {value}{should}"

    def _shown(self, value: float) -> str:
        """Give a value with its unit; a ratio has none."""
        if not self.unit:
            return f"{value:.3g}"
        return format_si(value, "Ω" if self.unit == "ohm" else self.unit)


def name_stage_faults(readings: Readings, moved: Sequence[Moved]) -> tuple[Finding, ...]:
    """Name every fault that the evidence supports, the likeliest first; mostly one."""
    seen = _Seen(readings, moved)
    for rule in (_turned, _shorts, _stuck):
        if found := list(rule(seen)):
            return tuple(_once(found))
    if found := [finding for rule in (_leaks, _driver, _channels) for finding in rule(seen)]:
        return tuple(_once(found))
    unstable = _unstable(readings)
    return (unstable,) if unstable is not None else ()


class _Seen:
    """Answer what moved and what was read."""

    def __init__(self, readings: Readings, moved: Sequence[Moved]) -> None:
        self.readings = readings
        self.moved = moved
        self.by_step: Mapping[tuple[str, str], StageReading] = {
            (r.step, r.path): r for r in reversed(readings.stage) if not r.repeat
        }

    def higher(self, step: str, path: str, state: str | None = None) -> Moved | None:
        return self._one(step, path, state, True)

    def lower(self, step: str, path: str, state: str | None = None) -> Moved | None:
        return self._one(step, path, state, False)

    def _one(self, step: str, path: str, state: str | None, higher: bool) -> Moved | None:
        found = [
            m for m in self.moved
            if m.step == step and m.path == path and m.higher is higher
            and (state is None or m.state == state)
        ]  # fmt: skip
        return min(found, key=lambda m: (not m.sure, m.p), default=None)

    def is_open(self, path: str) -> bool:
        """Tell whether a switch commanded on does not conduct."""
        return self._ohms_above(ON_RESISTANCE.name, path, _OPEN_OHM)

    def conducts(self, path: str) -> bool:
        """Tell whether a switch conducts with pwm open."""
        reading = self.by_step.get((TRI_STATE.name, path))
        if reading is None:
            return False
        if reading.value is not None:
            return reading.value < _CONDUCTS_OHM
        return reading.less_than is not None and reading.less_than <= _CONDUCTS_OHM

    def diode_open(self, path: str) -> bool:
        reading = self.by_step.get((BODY_DIODE.name, path))
        if reading is None:
            return False
        if reading.value is not None:
            # the boot diode lies beside the low side's and conducts where that cannot
            other = self.higher(BODY_DIODE.name, path)
            beside = (
                other is not None and other.sure and other.value is not None
                and other.expected is not None and other.value - other.expected > _NO_DIODE_V
            )  # fmt: skip
            return reading.value > 1.5 or beside
        return reading.status == "over-range" and reading.greater_than is not None

    def measured(self, step: str) -> bool:
        return any(name == step for name, _ in self.by_step)

    def _ohms_above(self, step: str, path: str, limit: float) -> bool:
        reading = self.by_step.get((step, path))
        if reading is None:
            return False
        if reading.value is not None:
            return reading.value > limit
        return reading.greater_than is not None and reading.greater_than >= limit / 2.0


def _finding(
    fault: str, path: str | None, moved: Moved | None, because: str, *alternatives: str,
    grade: Grade | None = None,
) -> Finding:  # fmt: skip
    how: Grade = grade or ("sure" if moved is None or moved.sure else "suspect")
    p = 0.0 if moved is None else moved.p
    return Finding(fault, path, how, 1.0 - min(1.0, p), alternatives[:2], because)


def _once(found: Iterable[Finding]) -> Iterator[Finding]:
    seen: set[tuple[str, str | None]] = set()
    for finding in sorted(found, key=lambda f: f.grade != "sure"):
        if (finding.fault, finding.path) not in seen:
            seen.add((finding.fault, finding.path))
            yield finding


def _short_ohms(seen: _Seen) -> dict[str, float]:
    low: dict[str, float] = {}
    for reading in seen.readings.stage:
        if reading.step != SHORT.name:
            continue
        ohms = reading.value
        if ohms is None and reading.status == "over-range":
            ohms = reading.less_than
        if ohms is not None and ohms < _SHORT_OHM and str(reading.state.get("polarity")) != "-":
            low[reading.path] = min(ohms, low.get(reading.path, ohms))
    for check in seen.readings.short_check:
        ohms = check.resistance_ohm
        if ohms is None and check.status == "over-range":
            ohms = check.less_than_ohm
        if ohms is not None and ohms < _SHORT_OHM and check.polarity == "+":
            low[check.path] = min(ohms, low.get(check.path, ohms))
    return low


def _turned(seen: _Seen) -> Iterator[Finding]:
    """Notice a pattern of resistances at 0.2 V that fits no fault: paths too high and too low."""
    off = [m for m in seen.moved if m.step == SHORT.name and m.state in ("", "+") and m.sure]
    high = [m for m in off if m.higher]
    if len(off) >= 3 and len(high) >= 2 and len({m.path for m in off}) >= 3:
        because = f"{len(off)} paths at 0.2 V do not fit the type, {len(high)} of them too high"
        yield _finding("turned-in-jig", None, None, because, "not-as-marked", grade="suspect")


def _shorts(seen: _Seen) -> Iterator[Finding]:
    low = _short_ohms(seen)
    # both switches in series join vin to pgnd: that path is not a third fault
    if "vin-sw" in low and "sw-pgnd" in low:
        low.pop("vin-pgnd", None)
    for path in sorted(low, key=lambda name: low[name]):
        ohms = low[path]
        because = f"{format_si(ohms, 'Ω', 2)} at 0.2 V from {path.replace('-', ' to ')}"
        other = f"leak {_SIGNAL.get(path, path)}" if ohms > 5.0 else "not-as-marked"
        yield _finding("short" if ohms < 100.0 else "leak", _SIGNAL.get(path, path), None, because,
                       other if ohms < 100.0 else "short")  # fmt: skip


def _stuck(seen: _Seen) -> Iterator[Finding]:
    high_open, low_open = seen.is_open("vin-sw"), seen.is_open("sw-pgnd")
    high_on, low_on = seen.conducts("vin-sw"), seen.conducts("sw-pgnd")
    diodes = [path for path in ("vin-sw", "sw-pgnd") if seen.diode_open(path)]
    if diodes:
        other = "sw-pgnd" if diodes[0] == "vin-sw" else "vin-sw"
        # with sw open the driver's own clamps still conduct, at a higher voltage
        both = len(diodes) == 2 or seen.higher(BODY_DIODE.name, other) is not None
        both = both or (high_open and low_open)
        path = "sw" if both else ("vin" if diodes[0] == "vin-sw" else "pgnd")
        because = f"no current through the body diode {' and '.join(diodes)}"
        yield _finding("lifted-bond", path, None, because, "open")
    elif low_open and high_on:
        because = "the high side conducts with pwm open, and the low side never"
        yield _finding("output-stuck-high", "vin-sw", None, because, "short vin-sw")
    elif high_open and low_on:
        because = "the low side conducts with pwm open, and the high side never"
        yield _finding("output-stuck-low", "sw-pgnd", None, because, "short sw-pgnd")
    elif high_open and low_open:
        because = "neither side conducts when told to, the body diodes are sound"
        yield _finding("output-stuck-off", None, None, because, "undervoltage-shift", "lifted-bond")
    elif (high_on or low_on) and not (high_open or low_open) and (leak := _pwm_leak(seen)):
        # both obey, but the pin does not rise to the middle when nothing drives it
        yield leak
    elif high_on or low_on:
        path = "vin-sw" if high_on else "sw-pgnd"
        word = "high" if high_on else "low"
        yield _finding(f"output-stuck-{word}", path, None, f"{path} conducts with pwm open",
                       f"short {path}")  # fmt: skip
    elif high_open:
        others = ["lifted-bond vin"]
        if not seen.measured(TRI_STATE.name):
            others.insert(0, "output-stuck-low")
        because = "the high side does not conduct when told to, the low side does"
        yield _finding("bootstrap-open", "boot-sw", None, because, *others)
    elif low_open:
        others = ["lifted-bond pgnd"]
        if not seen.measured(TRI_STATE.name):
            others.insert(0, "output-stuck-high")
        because = "the low side does not conduct when told to, the high side does"
        yield _finding("open", "sw-pgnd", None, because, *others)


def _leaks(seen: _Seen) -> Iterator[Finding]:
    for step, path in (
        (HS_LEAK.name, "vin-sw"), (VIN_LEAK.name, "vin-pgnd"), (LS_LEAK.name, "sw-pgnd"),
    ):  # fmt: skip
        moved = seen.higher(step, path)
        if step == LS_LEAK.name and not (moved is not None and moved.sure):
            moved = _stronger(moved, seen.higher(MONITOR_BALANCE, path))
        if step == LS_LEAK.name and _explained(moved, seen.higher(VIN_LEAK.name, "vin-pgnd")):
            continue
        if moved is None and not seen.measured(step):
            # at 0.2 V one path is parallel to the others: only where nothing better was read
            moved = seen.lower(SHORT.name, path)
        if moved is not None:
            yield _finding("leak", path, moved, moved.text)
    for path, name in _SIGNAL.items():
        moved = seen.lower(SHORT.name, path)
        if moved is not None:
            yield _finding("leak", name, moved, moved.text)
    leak = _pwm_leak(seen)
    if leak is not None:
        yield leak


def _pwm_leak(seen: _Seen) -> Finding | None:
    moved = (
        seen.lower(SHORT.name, "pwm-pgnd")
        or seen.lower(PWM_OPEN.name, "pwm")
        or seen.higher(PWM_OPEN.name, "pwm")
        or seen.higher(PWM_CURRENT.name, "pwm")
    )
    if moved is None:
        return None
    return _finding("leak", "pwm", moved, moved.text, "output-stuck-low", "output-stuck-high")


def _stronger(*moved: Moved | None) -> Moved | None:
    """Choose what is least likely of a sound part."""
    return min((m for m in moved if m is not None), key=lambda m: (not m.sure, m.p), default=None)


def _explained(low_side: Moved | None, vin: Moved | None) -> bool:
    """Tell whether a low side leaks no more than vin does: vin is joined to it when it is read."""
    if low_side is None or vin is None:
        return False
    return 0.0 < _extra(low_side) <= _SAME_LEAK * _extra(vin)


def _driver(seen: _Seen) -> Iterator[Finding]:
    boot, supply = seen.lower(SHORT.name, "boot-sw"), seen.lower(SHORT.name, "vdrv-pgnd")
    standby = seen.higher(DRIVER_SUPPLY.name, "vdrv-pgnd", "standby")
    active = seen.higher(DRIVER_SUPPLY.name, "vdrv-pgnd", "open")
    more = standby or active
    if boot is not None:
        moved = more or boot
        yield _finding("bootstrap-leak", "boot-sw", moved, moved.text, "leak vdrv-pgnd")
    elif supply is not None:
        moved = more or supply
        yield _finding("leak", "vdrv-pgnd", moved, moved.text, "bootstrap-leak")
    elif more is not None:
        yield _finding("leak", "vdrv-pgnd", more, more.text, "bootstrap-leak")
    less = seen.lower(DRIVER_SUPPLY.name, "vdrv-pgnd", "standby")
    if less is not None and more is None and boot is None:
        yield _finding("bootstrap-open", "boot-sw", less, less.text)
    for path in ("hs-gate", "ls-gate"):
        against = seen.higher if path == "hs-gate" else seen.lower
        moved_gate = _stronger(seen.higher(GATE_CURRENT, path), against(GATE_BALANCE, GATES))
        if moved_gate is not None:
            yield _finding("leak", path, moved_gate, moved_gate.text)
    for edge in ("rising", "falling"):
        for shifted in (
            seen.higher(UNDERVOLTAGE.name, "vdrv-pgnd", edge),
            seen.lower(UNDERVOLTAGE.name, "vdrv-pgnd", edge),
        ):
            if shifted is not None:
                yield _finding("undervoltage-shift", "vdrv-pgnd", shifted, shifted.text)


def _channels(seen: _Seen) -> Iterator[Finding]:
    high = seen.higher(ON_RESISTANCE.name, "vin-sw")
    low = seen.higher(ON_RESISTANCE.name, "sw-pgnd")
    if high is not None and low is not None:
        extra = _extra(high), _extra(low)
        if min(extra) > 0.0 and max(extra) < 2.0 * min(extra):
            because = f"both sides have {format_si(min(extra), 'Ω', 2)} more than their siblings"
            worse = high if high.sure else low
            yield _finding("lifted-bond", "sw", worse, because, "high-on-resistance vin-sw",
                           "high-on-resistance sw-pgnd")  # fmt: skip
            return
    for moved, path, bond in ((high, "vin-sw", "vin"), (low, "sw-pgnd", "pgnd")):
        if moved is not None:
            yield _finding("high-on-resistance", path, moved, moved.text, f"lifted-bond {bond}")
    for path in ("vin-sw", "sw-pgnd"):
        for step in (ON_RESISTANCE.name, BODY_DIODE.name):
            other = seen.lower(step, path) or (
                seen.higher(step, path) if step == BODY_DIODE.name else None
            )
            if other is not None:
                yield _finding("not-as-marked", path, other, other.text, grade="suspect")


def _extra(moved: Moved) -> float:
    if moved.value is None or moved.expected is None:
        return 0.0
    return moved.value - moved.expected


def _unstable(readings: Readings) -> Finding | None:
    for again in readings.stage:
        if not again.repeat or again.value is None or again.u is None or again.unit != "A":
            continue
        first = next(
            (r for r in readings.stage
             if not r.repeat and r.step == again.step and r.path == again.path
             and r.state == again.state),
            None,
        )  # fmt: skip
        if first is None or first.value is None or first.u is None:
            continue
        room = 4.0 * (first.u**2 + again.u**2) ** 0.5
        if abs(again.value) > _STABLE_RATIO * abs(first.value) + room:
            because = (
                f"{again.path} leaks {format_si(again.value, 'A', 2)} after the other steps, "
                f"{format_si(first.value, 'A', 2)} before"
            )
            return _finding("leak", again.path, None, because)
    return None
