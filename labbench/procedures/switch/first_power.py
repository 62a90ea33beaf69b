"""Give a repaired board its first power: through 22 ohm, up to 5 V in small steps, rail watched.

The drivers' logic inputs are left in the middle state (both switches off), so the rail has to stay
at zero. A low resistance across the rail holds it down should a switch conduct all the same; what
the board's own input capacitors hold does not pass the 22 ohm, hence the small steps where drivers
wake up (switches.md E).
"""

from __future__ import annotations

__all__ = ["HIGHEST_V", "SERIES_OHM", "FirstPowerTaken", "StopReason", "first_power"]

from typing import Final, Literal

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.bench.guarded_supply import DISCHARGED_V, Energised
from labbench.bench.limits import Need
from labbench.errors import StepAborted
from labbench.ports import Event, Prompt
from labbench.procedures.switch.hookups import hookup, series_ohm_of
from labbench.procedures.switch.live import agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.results import PowerStep

HIGHEST_V: Final = 5.0
SERIES_OHM: Final = 22.0
_LIMIT_A = 0.3
#: what a board can take behind 22 ohm at 5 V, whatever it is: V^2 / 4R
_PART_W = 0.3
#: coarse below what any driver wakes up at, fine above (own rule)
_STEPS_V = (0.25, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, *(round(3.0 + 0.1 * n, 1) for n in range(1, 21)))
#: the rail has to stay at zero: more than this, either way, ends it (own rule)
_RAIL_STOP_V = 10e-3
#: an input that takes more than half of the voltage is no input in order, beyond this current
_SHARE, _LEAST_A = 0.5, 10e-3
#: a current that moves by more than this, and this share, between two readings is not at rest
_STILL_A, _STILL_SHARE = 3e-3, 0.05
_SETTLE_S, _LONGEST_S = 0.05, 1.5
_HOLD_S, _HOLD_POLL_S = 3.0, 0.3
_RUN_DOWN_S = 4.0
_WORDS = (
    "First power of a repaired board. It is isolated and works at no more than 60 V DC; its own "
    "supplies are off and stay off; its controller is held in reset, so that no logic input of a "
    "stage is driven; nothing else is joined to it. Eye protection on, hands off, the supply's own "
    "switch within reach; a part that gets hot or smells: stop"
)

StopReason = Literal["rail-rises", "input-current", "input-low", "not-settling"]


@frozen(kw_only=True)
class FirstPowerTaken:
    """Hold every step that was taken, and why it ended early (None: it went up to 5 V)."""

    steps: tuple[PowerStep, ...]
    stopped: StopReason | None = None
    why: str | None = None


def first_power(
    bench: Bench, *, position: str | None = None, most_input_a: float = 0.1
) -> FirstPowerTaken:
    """Raise the input to 5 V step by step, off at once when something is not as it should be.

    Stop criteria at each step: the rail leaves zero by more than 10 mV, the input draws more than
    `most_input_a` or takes more than half of the voltage, its current does not come to rest. A
    person confirms the state of the board first. Raises what the bench raises, StepAborted on a no
    or without a multimeter that can be read while the output is on.
    """
    if bench.multimeter is None or bench.multimeter_by_hand:
        raise StepAborted(
            "a first power needs a multimeter with a link: it watches the rail while the output "
            "is on, faster than a display can be read; nothing was energised"
        )
    prompt = Prompt("confirm", "first-power", ("yes", "no"), "no", {"text": _WORDS})
    if bench.ask(prompt) != "yes":
        raise StepAborted("the board is not ready for its first power; nothing was energised")
    joined = hookup("board-power")
    assert series_ohm_of(joined.name) == SERIES_OHM
    tie(bench, joined, position)
    agree(bench, "the first power", volts=HIGHEST_V, amps=_LIMIT_A)
    need = Need(
        "the first power", voltage_v=HIGHEST_V, current_a=_LIMIT_A, series_ohm=SERIES_OHM,
        part_power_w=_PART_W, time_s=90.0,
    )  # fmt: skip
    meter = RangedMeter(bench, integration_periods=1.0)
    meter.set_for(1.0)
    steps: list[PowerStep] = []
    with (
        bench.step("first-power", series_ohm=SERIES_OHM),
        bench.energised(
            1, volts=HIGHEST_V, amps=_LIMIT_A, reason=need.name, need=need,
            start_volts=_STEPS_V[0],
        ) as on,
    ):  # fmt: skip
        for volts in _STEPS_V:
            if steps:
                on.set_volts(volts)
            step, stopped = _watched(bench, meter, volts, most_input_a)
            steps.append(step)
            if stopped is not None:
                # the block is left at once: off, read back, no running down first
                return FirstPowerTaken(steps=tuple(steps), stopped=stopped[0], why=stopped[1])
        bench.tell(Event("holding", {"text": f"{HIGHEST_V:g} V: watching for {_HOLD_S:g} s"}))
        until_s = bench.clock.monotonic_s() + _HOLD_S
        while bench.clock.monotonic_s() < until_s:
            bench.settle(_HOLD_POLL_S)
            step, stopped = _watched(bench, meter, HIGHEST_V, most_input_a)
            steps.append(step)
            if stopped is not None:
                return FirstPowerTaken(steps=tuple(steps), stopped=stopped[0], why=stopped[1])
        _run_down(bench, on)
    return FirstPowerTaken(steps=tuple(steps))


def _watched(
    bench: Bench, meter: RangedMeter, volts: float, most_a: float
) -> tuple[PowerStep, tuple[StopReason, str] | None]:
    """Look until the current is at rest, or something says stop."""
    until_s = bench.clock.monotonic_s() + _LONGEST_S
    last_a: float | None = None
    while True:
        rail_v = meter.read()
        amps = value(bench.take_supply_current())
        supply_v = value(bench.take_supply_voltage()) or 0.0
        still = (
            last_a is not None
            and amps is not None
            and abs(amps - last_a) <= max(_STILL_A, _STILL_SHARE * abs(amps))
        )
        step = PowerStep(
            set_v=volts, supply_v=supply_v, input_a=amps if amps is not None else most_a,
            rail_v=rail_v if rail_v is not None else HIGHEST_V, settled=still,
        )  # fmt: skip
        stopped = _stop(step, most_a)
        if stopped is not None or still:
            return step, stopped
        if bench.clock.monotonic_s() > until_s:
            said = f"at {volts:g} V the input current does not come to rest ({step.input_a:.3f} A)"
            return step, ("not-settling", said)
        last_a = amps
        bench.settle(_SETTLE_S)


def _stop(step: PowerStep, most_a: float) -> tuple[StopReason, str] | None:
    at = f"at {step.set_v:g} V"
    if abs(step.rail_v) > _RAIL_STOP_V:
        return "rail-rises", f"{at} the rail reads {step.rail_v * 1e3:.0f} mV: it has to stay at 0"
    if step.input_a > most_a:
        said = f"{at} the input draws {step.input_a * 1e3:.0f} mA, more than {most_a * 1e3:.0f} mA"
        return "input-current", said
    at_input_v = step.supply_v - step.input_a * SERIES_OHM
    # capacitors that still charge draw a current that falls: only one at rest counts
    if step.settled and step.input_a > _LEAST_A and at_input_v < _SHARE * step.supply_v:
        ohm = max(at_input_v, 0.0) / step.input_a
        return "input-low", f"{at} the input is pulled down to {at_input_v:.2f} V ({ohm:.2g} Ω)"
    return None


def _run_down(bench: Bench, on: Energised) -> None:
    """Let the supply empty the input before the output goes off."""
    on.set_volts(0.0)
    until_s = bench.clock.monotonic_s() + _RUN_DOWN_S
    while bench.clock.monotonic_s() < until_s:
        left = value(bench.take_supply_voltage())
        if left is not None and abs(left) < DISCHARGED_V:
            bench.settle(_SETTLE_S * 4)
            return
        bench.settle(_SETTLE_S)
