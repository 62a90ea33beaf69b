"""Read until two readings agree: what still charges is no reading."""

from __future__ import annotations

__all__ = ["steady"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.ranging import RangedMeter
from labbench.results import Status

_BETWEEN_S, _LONGEST_S = 0.5, 8.0


def steady(
    bench: Bench, meter: RangedMeter, *, share: float, volts: float, between_s: float = _BETWEEN_S,
) -> tuple[float | None, Status]:  # fmt: skip
    """Return a voltage once two readings `between_s` apart agree within `share` or `volts`.

    None with "over-range" beyond the multimeter's range; the last with "unstable" after 8 s. A
    display that a person reads is read once: it is written down when it has settled.
    """
    if bench.multimeter_by_hand:
        shown = meter.read()
        return shown, "over-range" if shown is None else "ok"
    until_s = bench.clock.monotonic_s() + _LONGEST_S
    last = meter.read()
    while last is not None:
        bench.settle(between_s)
        now = meter.read()
        if now is None:
            break
        if abs(now - last) <= max(share * abs(now), volts):
            return now, "ok"
        if bench.clock.monotonic_s() > until_s:
            return now, "unstable"
        last = now
    return None, "over-range"
