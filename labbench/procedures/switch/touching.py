"""See whether the jig touches the part: both contacts of a terminal, through its own lead."""

from __future__ import annotations

__all__ = ["TERMINALS", "can_tell", "untouched"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import ShortTaken

#: hookup and terminal; a gate has one contact only
TERMINALS = (("fet-touch-d", "drain"), ("fet-touch-s", "source"))
_VOLTS, _AMPS, _SETTLE_S = 0.2, 0.05, 0.05
#: lead, relays and contacts have less than an ohm; what the supply's readback leaves is 2 ohm
_MOST_OHM = 30.0
_NEED = Need("the contact check", voltage_v=_VOLTS, current_a=_AMPS, series_ohm=100.0)


def can_tell(bench: Bench) -> bool:
    """Tell whether this bench can: by relays that reach the sense contacts, with a multimeter.

    A person sees the tips, and two ties would be lost.
    """
    return (
        not bench.by_person
        and bench.multimeter is not None
        and all(bench.knows(hookup(name)) for name, _ in TERMINALS)
    )


def untouched(bench: Bench, *, mirrored: bool, position: str | None = None) -> tuple[str, ...]:
    """Return the terminals that are not touched by both of their contacts.

    0.2 V behind 100 ohm flow in by one contact and out by the other: the part itself has no
    voltage. Raises what the bench raises.
    """
    missing = []
    for name, terminal in TERMINALS:
        tie(bench, hookup(name, mirrored=mirrored), position)
        meter = RangedMeter(bench, integration_periods=1.0)
        meter.set_for(_VOLTS)
        agree(bench, f"the contact check, {terminal}", volts=_VOLTS, amps=_AMPS)
        with (
            bench.step("contact-check", terminal=terminal),
            Live(bench, volts=_VOLTS, amps=_AMPS, need=_NEED),
        ):
            bench.settle(_SETTLE_S)
            across_v = meter.read()
            supply_v = value(bench.take_supply_voltage()) or 0.0
        found = ShortTaken(path=terminal, supply_v=supply_v, across_v=across_v)
        if across_v is None or found.ohm > _MOST_OHM:
            missing.append(terminal)
    return tuple(missing)
