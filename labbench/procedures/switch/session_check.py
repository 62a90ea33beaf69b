"""Check the measuring chain of switches once a session: a resistor that is known, and a short.

A check resistor in the part's place has to read within 0.3 % through the leakage step, and the
sense contacts on a copper strip have to show nothing (switches.md C0 7). Leads, series resistor,
the multimeter's input and gain, the supply's readback: whatever is wrong shows here before a part
is judged by it.
"""

from __future__ import annotations

__all__ = ["CHECK", "CHECK_LIMIT", "CHECK_OHM", "SessionCheck", "session_check"]

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.bench.connections import SHORT
from labbench.bench.limits import Need
from labbench.procedures.switch.drain_leakage import START, drain_hookup
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.leakage import take_leak
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import LeakTaken

#: position of the check resistor in the bench file, and its value
CHECK, CHECK_OHM = "check", 1e6
CHECK_LIMIT = 3e-3
_CHECK_V = 10.0
_SHORT_V, _SHORT_A, _SETTLE_S = 0.2, 0.05, 0.1
_SHORT_NEED = Need("the shorted jig", voltage_v=_SHORT_V, current_a=_SHORT_A)
#: zero of a multimeter and what is left of thermal voltages at fresh contacts (V)
_MOST_ZERO_V = 40e-6
#: the strip between the sense contacts at 50 mA, and that of contacts that share the current
_MOST_SHORT_OHM = 2e-3


@frozen(kw_only=True)
class SessionCheck:
    """Hold what check resistor and shorted jig read."""

    check: LeakTaken
    #: across the strip without and with current (V), and that current (A)
    zero_v: float | None
    short_v: float | None
    short_a: float

    @property
    def check_ohm(self) -> float:
        """Give what the check resistor reads (ohm); infinite where no current flows."""
        amps = self.check.current_a
        return self.check.part_v / amps if amps > 0.0 else float("inf")

    @property
    def problems(self) -> tuple[str, ...]:
        """Say in words what is wrong; nothing where nothing is."""
        found = []
        off = self.check_ohm / CHECK_OHM - 1.0
        if not abs(off) <= CHECK_LIMIT:
            found.append(
                f"the check resistor of {CHECK_OHM / 1e6:g} MΩ reads {self.check_ohm / 1e6:.4g} MΩ "
                f"({off:+.2%}), more than 0.3 % off"
            )
        if self.zero_v is None or abs(self.zero_v) > _MOST_ZERO_V:
            shown = "over range" if self.zero_v is None else f"{self.zero_v * 1e6:.0f} µV"
            found.append(f"the shorted jig shows {shown} without current")
        elif self.short_v is None or self.short_a <= 0.0:
            found.append("no current flows through the shorted jig")
        elif abs(self.short_v - self.zero_v) / self.short_a > _MOST_SHORT_OHM:
            ohm = abs(self.short_v - self.zero_v) / self.short_a
            found.append(f"the sense contacts show {ohm * 1e3:.2g} mΩ on the strip")
        return tuple(found)


def session_check(bench: Bench, *, mirrored: bool = False) -> SessionCheck:
    """Read the check resistor through the leakage step, then the strip at the sense contacts.

    Needs the positions `check` and `short`. Raises what the bench raises.
    """
    joined = drain_hookup(START, mirrored=mirrored)
    tie(bench, joined, CHECK)
    volts = min(_CHECK_V, bench.limits.voltage_v) if bench.limits is not None else _CHECK_V
    check = take_leak(bench, joined, volts, what="the check resistor")
    wanted = hookup("fet-grade-ds", mirrored=mirrored)
    tie(bench, wanted, SHORT)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, "the shorted jig", volts=_SHORT_V, amps=_SHORT_A)
    with bench.step("shorted-jig"):
        zero_v = meter.read()
        with Live(bench, volts=_SHORT_V, amps=_SHORT_A, need=_SHORT_NEED):
            bench.settle(_SETTLE_S)
            short_v = meter.read()
            short_a = value(bench.take_supply_current()) or 0.0
    return SessionCheck(check=check, zero_v=zero_v, short_v=short_v, short_a=short_a)
