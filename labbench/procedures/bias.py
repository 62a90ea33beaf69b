"""Measure the inductance of a coil under direct current, through a bias network.

The network's choke brings the current and keeps the supply away from the meter; its capacitors keep
the current out of the meter. The current goes up and down in steps and is never broken: choke and
coil hold L I^2 / 2, up to tens of millijoule, and kick back. A core warms by what the winding
dissipates, so a current above 30 mW lasts two seconds at most.
"""

from __future__ import annotations

__all__ = [
    "FRACTIONS",
    "GENTLE_POWER_W",
    "HIGHEST_POWER_W",
    "LONGEST_AT_S",
    "NO_CURRENT_A",
    "BiasPlan",
    "bias_frequency_hz",
    "highest_bias_a",
    "inductance_under_bias",
    "plan_bias",
    "take_network_open_short",
]

import math
from collections.abc import Callable
from itertools import pairwise

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BiasNetwork
from labbench.bench.guarded_supply import Energised
from labbench.bench.limits import Maximum, Need, compliance_v
from labbench.errors import StepAborted
from labbench.parts.coil_type import CoilType
from labbench.ports import STATUS_OK, Event, ImpedanceReading, ScalarReading
from labbench.procedures.compensation import OpenShort, take_open_short
from labbench.procedures.dc_resistance import (
    ASSUMED_LEADS_OHM,
    COIL_SURGE_J,
    GENTLE_POWER_W,
    NO_CURRENT_A,
    UNKNOWN_RESISTANCE_OHM,
)
from labbench.procedures.hookups import COIL_BIAS
from labbench.procedures.sweep import SweepSettings, sweep_settings
from labbench.results import BiasMeasurement, BiasReading, Sweep

#: of the saturation current: three currents and none tell one kind of core from another, and a
#: gapped core that still holds just above 80 % of it is sound, however steep its edge is
FRACTIONS = (0.35, 0.7, 0.85, 1.0)
#: a gram of copper and core, 0.4 J/(g K) (from memory), warms by 5 K at most in two seconds
HIGHEST_POWER_W = 1.0
LONGEST_AT_S = 2.0
#: currents nearer to each other than this share are one
_SAME_SHARE = 0.1
_USUAL_HZ = 100e3
_STEPS_UP = 4
_RUN_DOWN_STEPS = 6
_RUN_DOWN_PAUSE_S = 0.05
_PAUSE_S = 0.05
_SETTLE_S = 0.15
_START_A = 0.02
#: what a current limit is off by at most, and how far two readbacks may lie apart
_OFF_SHARE, _OFF_A = 0.02, 0.02
_WANDER_SHARE, _WANDER_A = 5e-3, 5e-3
_APERTURE_S, _REPEATS = 0.1, 3
#: ramps, readbacks and the time that exchanges take
_OVERHEAD_S = 6.0
#: a person reads the display and types while the current flows
_BY_HAND_S = 60.0


@frozen
class BiasPlan:
    """Hold the currents (A, ascending), the frequency (Hz), the compliance (V), what limits."""

    currents_a: tuple[float, ...]
    frequency_hz: float
    volts: float
    limited_by: str | None


def bias_frequency_hz(part: CoilType | None, range_hz: tuple[float, float]) -> float:
    """Return the frequency of the bias readings: the type's own, else 100 kHz, within the meter's.

    The fall of inductance is that of the core and hardly depends on it.
    """
    wanted = part.inductance[0].frequency_hz if part is not None and part.inductance else _USUAL_HZ
    lowest, highest = range_hz
    return min(max(wanted, lowest), highest)


def plan_bias(
    bench: Bench,
    part: CoilType | None,
    network: BiasNetwork,
    *,
    resistance_ohm: float | None = None,
) -> BiasPlan:
    """Choose the currents: 0.35, 0.7, 0.85 and 1 x saturation current, as far as every limit goes.

    The limits are the bench's, the part's absolute maximum, the network's rating, and the power in
    the part, 1 W (30 mW where a person reads the meter). `resistance_ohm` is what was measured;
    else the type's nominal. Raises StepAborted where no current worth measuring is left.
    """
    if bench.limits is None:
        raise StepAborted("a bias current needs a supply, and the bench file has none")
    known = resistance_ohm or (part.nominal_resistance_ohm if part is not None else None)
    highest, why = highest_bias_a(
        part, network, bench_a=bench.limits.current_a, resistance_ohm=known,
        by_hand=bench.impedance_by_hand,
    )  # fmt: skip
    if highest < 5.0 * _START_A:
        raise StepAborted(f"no bias current is left: {why} {highest:g} A; the output is off")
    saturation = part.saturation if part is not None else None
    limited_by = None
    if saturation is None:
        currents = [fraction * highest for fraction in FRACTIONS]
    elif highest >= saturation.current_a * (1.0 - 1e-9):
        currents = [fraction * saturation.current_a for fraction in FRACTIONS]
    else:
        limited_by = f"{why} {highest:g} A"
        wanted = [fraction * saturation.current_a for fraction in FRACTIONS]
        currents = [a for a in wanted if a < highest * (1.0 - _SAME_SHARE)] or [highest / 2]
        currents.append(highest)
    currents = [round(a, 2) for a in currents]
    uppers = [limit.upper_ohm for limit in part.dc_resistance if limit.upper_ohm] if part else []
    leads = bench.supply_leads_ohm if bench.supply_leads_ohm is not None else ASSUMED_LEADS_OHM
    volts = compliance_v(
        currents[-1],
        leads + network.resistance_ohm,
        max([known or UNKNOWN_RESISTANCE_OHM, *uppers]),
    )
    return BiasPlan(
        tuple(currents),
        bias_frequency_hz(part, bench.impedance_range_hz),
        math.floor(volts * 1000.0) / 1000.0,
        limited_by,
    )


def highest_bias_a(
    part: CoilType | None,
    network: BiasNetwork,
    *,
    bench_a: float,
    resistance_ohm: float | None,
    by_hand: bool = False,
) -> tuple[float, str]:
    """Return the largest bias current (A, in steps of 10 mA), and in words what limits it."""
    power_w = GENTLE_POWER_W if by_hand else HIGHEST_POWER_W
    candidates = [
        (bench_a, "the bench goes up to"),
        (network.current_a, "the bias network is rated for"),
        (math.sqrt(power_w / (resistance_ohm or UNKNOWN_RESISTANCE_OHM)),
         "the winding would warm above"),
    ]  # fmt: skip
    if part is not None and part.maximum_current_a is not None:
        candidates.append((part.maximum_current_a, "the part's absolute maximum is"))
    highest, why = min(candidates, key=lambda each: each[0])
    # down to what any supply can set
    return math.floor(highest * 100.0 + 1e-9) / 100.0, why


def take_network_open_short(bench: Bench, frequencies_hz: tuple[float, ...]) -> OpenShort:
    """Read the jig open and shorted through the bias network, without current.

    The open shows the choke, the short the capacitors. Nothing is energised.
    """
    return take_open_short(bench, frequencies_hz, hookup=COIL_BIAS)


def inductance_under_bias(
    bench: Bench,
    part: CoilType | None,
    network: BiasNetwork,
    *,
    position: str | None = None,
    resistance_ohm: float | None = None,
    settings: SweepSettings | None = None,
) -> BiasMeasurement:
    """Read what is in the jig (or at `position`) without current, at each current, and without.

    The raw readings hold the network. The supply waits for a person's consent. Where no current
    flows the status is over-range ("no-current"), where it does not hold still unstable
    ("current-wanders"). Raises StepAborted, and what the bench raises; the current is then run
    down and the output off.
    """
    chosen = settings or SweepSettings(
        level_v=sweep_settings(part).level_v, aperture_s=_APERTURE_S, repeats=_REPEATS
    )
    plan = plan_bias(bench, part, network, resistance_ohm=resistance_ohm)
    bench.connect(COIL_BIAS, position)
    reader = _Reader(bench, plan.frequency_hz, chosen)
    first = BiasReading(0.0, bench.repeatable("bias-zero", reader.read, position=position))
    bench.ask_to_energise(
        "coil-bias",
        what="the inductance under direct current; never lift a clip while it flows, it kicks back",
        specimen=bench.joined.position,
        amps=plan.currents_a[-1],
        volts=plan.volts,
    )
    taken = [first]
    reason = _under_current(bench, part, plan, reader, taken)
    last = bench.repeatable("bias-zero", reader.read, position=position)
    taken.append(BiasReading(0.0, last, repeat=True))
    return BiasMeasurement(
        tuple(taken),
        plan.frequency_hz,
        plan.limited_by,
        "ok" if reason is None else "over-range" if reason == "no-current" else "unstable",
        reason,
    )


class _Reader:
    """Read the meter at one point, several times."""

    def __init__(self, bench: Bench, frequency_hz: float, settings: SweepSettings) -> None:
        self._bench = bench
        self._frequency_hz = frequency_hz
        self._settings = settings

    def set(self) -> None:
        """Set meter and point; a meter keeps them until it is set again."""
        self._bench.prepare_impedance()
        self._bench.set_impedance_point(
            frequency_hz=self._frequency_hz,
            level_v=self._settings.level_v,
            aperture_s=self._settings.aperture_s,
            averages=self._settings.averages,
        )

    def take(self) -> Sweep:
        """Read inside a step."""
        repeats = 1 if self._bench.impedance_by_hand else self._settings.repeats
        readings: list[ImpedanceReading] = [self._bench.take_impedance() for _ in range(repeats)]
        return Sweep(tuple(readings), self._bench.joined.position)

    def read(self) -> Sweep:
        """Set and read inside a step."""
        self.set()
        return self.take()


def _under_current(
    bench: Bench, part: CoilType | None, plan: BiasPlan, reader: _Reader, taken: list[BiasReading]
) -> str | None:
    """Go up through the currents and down again; return why it broke off, None where it did not."""
    by_hand = bench.impedance_by_hand
    need = Need(
        "inductance under bias",
        voltage_v=plan.volts,
        current_a=plan.currents_a[-1],
        time_s=(_BY_HAND_S if by_hand else LONGEST_AT_S) * len(plan.currents_a) + _OVERHEAD_S,
        surge_j=COIL_SURGE_J,
    )
    maximum = Maximum(part.name, current_a=part.maximum_current_a) if part is not None else None
    longest_s = _BY_HAND_S if by_hand else LONGEST_AT_S
    with bench.step("bias", currents_a=plan.currents_a):
        reader.set()
        with bench.energised(
            volts=plan.volts, amps=plan.currents_a[-1], reason="inductance under bias",
            need=need, part=maximum, start_amps=_START_A,
        ) as output:  # fmt: skip
            output.run_down_first(_RUN_DOWN_STEPS, _RUN_DOWN_PAUSE_S)
            reason = None
            for below, amps in pairwise((_START_A, *plan.currents_a)):
                _ramp(bench, output, below, amps, _STEPS_UP)
                reached_s = bench.clock.monotonic_s()
                bench.settle(_SETTLE_S)
                before = _value(bench.take_supply_current)
                if before < NO_CURRENT_A:
                    reason = "no-current"
                    break
                sweep = reader.take()
                after = _value(bench.take_supply_current)
                if abs(before - amps) > _OFF_SHARE * amps + _OFF_A or (
                    abs(after - before) > _WANDER_SHARE * before + _WANDER_A
                ):
                    reason = "current-wanders"
                    break
                taken.append(BiasReading(amps, sweep, before, after))
                bench.tell(Event("bias", {"text": f"inductance under {before:.3g} A"}))
                if bench.clock.monotonic_s() - reached_s > longest_s:
                    raise StepAborted(
                        f"{amps:g} A flowed for longer than {longest_s:g} s: the part warms; the "
                        "current was run down and the output is off",
                        hint="is the meter slow? A shorter measuring time will do",
                    )
            _ramp(bench, output, output.amps_now, 0.0, _RUN_DOWN_STEPS)
            left = _value(bench.take_supply_current)
            if left > NO_CURRENT_A:
                raise StepAborted(
                    f"the current was run down to 0 A and still reads {left:.3g} A; the output is "
                    "switched off",
                    hint="take nothing off the jig before the supply shows no current",
                )
    return reason


def _ramp(bench: Bench, output: Energised, start_a: float, end_a: float, steps: int) -> None:
    for step in range(1, steps + 1):
        output.set_amps((start_a * (steps - step) + end_a * step) / steps)
        bench.settle(_PAUSE_S)


def _value(read: Callable[[], ScalarReading]) -> float:
    reading = read()
    if reading.status != STATUS_OK or reading.value is None:
        raise StepAborted(
            f"the supply's current reads {reading.raw.strip()!r}; the current was run down and the "
            "output is off"
        )
    return reading.value
