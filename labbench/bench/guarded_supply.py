"""Switch a supply on only within limits, and off whatever happens.

The energy rules that the comments cite:

1. Out-of-range requests raise, nothing is clipped.
2. Before on: read back off, program current limit and over-voltage protection, read both back,
   journal `about-to-energise`; then on, verified. After: off, read back, journalled. The on command
   stands inside the `try`.
3. Clean-ups are all tried; the first error stays the one raised.
4. An off that cannot be confirmed: once more on a link opened anew, else OutputStateUnknown.
5. At start, runs that broke off while energised are looked for (labbench.bench.start_up).
6. The limits are in the supply before it is switched on, because nothing here survives kill -9.
7. Stop: off goes out at once on the supply's own session.
8. De-energising never depends on the disk.
"""

from __future__ import annotations

__all__ = [
    "DISCHARGED_V",
    "DISCHARGE_WAIT_S",
    "Energised",
    "GuardedSupply",
    "output_unknown",
    "wait_discharged",
]

import math
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from labbench.bench.bench_file import BenchLimits
from labbench.bench.cleanups import CleanUps
from labbench.bench.limits import Maximum, Need, check_request
from labbench.bench.stop import StopFlag
from labbench.errors import (
    InstrumentError,
    LabbenchError,
    LimitExceeded,
    OutputStateUnknown,
    SafetyError,
    SettingNotTaken,
    StillCharged,
)
from labbench.ports import STATUS_OK, Clock, ScalarReading, Supply, SupplySetting, WatchedSupply
from labbench.records.journal import Journal

#: below this a re-tie is safe
DISCHARGED_V = 0.020
#: bench seconds that the residual charge is waited out before a person has to discharge it
DISCHARGE_WAIT_S = 30.0
_POLL_S = 0.05

# What a read back may lie above the request: a supply rounds to its resolution. A few of the
# coarsest steps that bench supplies have (common practice, no source).
_VOLTAGE_STEP_V = 0.010
_CURRENT_STEP_A = 0.010
_RELATIVE_STEP = 2e-3
# What a measured value may lie above the setting when the output has just come on.
_OVERSHOOT_V = 0.030
_OVERSHOOT_A = 0.050
_OVERSHOOT_RELATIVE = 0.02
#: the time on is checked before this is due
_BACKSTOP_MARGIN_S = 0.5


class GuardedSupply:
    """Guard a supply: the only way by which anything here switches an output on."""

    def __init__(
        self,
        supply: Supply,
        *,
        limits: BenchLimits,
        clock: Clock,
        journal: Journal,
        stop: StopFlag,
        output_capacitance_f: float | None = None,
    ) -> None:
        self.supply = supply
        self.limits = limits
        self.clock = clock
        self.journal = journal
        self.stop = stop
        self.output_capacitance_f = output_capacitance_f
        #: what is on now; the bench looks at it before it asks, re-ties or takes
        self.energised_now: Energised | None = None
        #: channels energised in this run whose charge has not been seen gone
        self.charged: set[int] = set()

    def energised(
        self, channel: int, *, volts: float, amps: float, reason: str, need: Need,
        part: Maximum | None = None, start_amps: float | None = None,
        start_volts: float | None = None,
    ) -> Energised:  # fmt: skip
        """Return a context manager inside which the output is on.

        Nothing is sent before it is entered. Entering raises LimitExceeded where a limit forbids
        the request, SafetyError where the output is on already, SettingNotTaken where the supply
        does not take the protection; leaving raises OutputStateUnknown where an off could not be
        confirmed, whatever else went wrong. `start_amps` is a current limit to come up with, from
        which `Energised.set_amps` goes up to `amps`, `start_volts` likewise a voltage.
        """
        return Energised(self, channel, volts, amps, reason, need, part, start_amps, start_volts)

    def read_back_off(self, channel: int) -> None:
        """Raise SafetyError where a channel that should be off reads back on."""
        if self.supply.is_on(channel):
            raise SafetyError(
                f"the output of channel {channel} reads back on where it should be off, and it was "
                "not this run that switched it on; nothing was changed",
                hint="switch it off at the supply, then start again",
            )

    def make_off(self, channel: int) -> None:
        """See a channel read back off, forcing it off where it does not; for the end of a run.

        Raises OutputStateUnknown. Journals nothing when it was off already.
        """
        try:
            if not self.supply.is_on(channel):
                return
            trouble = "it read back on"
        except InstrumentError as error:
            trouble = f"{type(error).__name__}: {error}"
        if not self.supply.force_off():
            raise output_unknown(self.supply, channel, trouble)
        self.journal.write("off", channel=channel, confirmed="forced", trouble=trouble)

    def wait_discharged(
        self, channel: int, across_part: Callable[[], ScalarReading] | None = None
    ) -> None:
        """Wait until less than 20 mV is left at the output and, where it is read, at the part.

        Not broken off by the stop flag: after a stop the charge is waited out as well
        (energy rule 7). Raises StillCharged when it does not go.
        """
        wait_discharged(self.supply, channel, self.clock, across_part)
        self.charged.discard(channel)


def wait_discharged(
    supply: Supply, channel: int, clock: Clock,
    across_part: Callable[[], ScalarReading] | None = None,
) -> None:  # fmt: skip
    """Wait until less than 20 mV is left at an output that is off, and at the part where read.

    Raises StillCharged when it does not go.
    """
    until = clock.monotonic_s() + DISCHARGE_WAIT_S
    while True:
        at_output = supply.read_voltage(channel)
        at_part = across_part() if across_part is not None else None
        left = [reading for reading in (at_output, at_part) if reading and not _low(reading)]
        if not left and _low(again := supply.read_voltage(channel)):
            # twice: an answer that came double is read once for the next question's, and the "0"
            # of an output that is off passes for a voltage; the second time the volts themselves
            # come, late
            return
        left = left or [again]
        if clock.monotonic_s() >= until:
            said = ", ".join(reading.raw.strip() for reading in left)
            raise StillCharged(
                f"channel {channel} is off, but after {DISCHARGE_WAIT_S:g} s there is still "
                f"more than {DISCHARGED_V * 1e3:g} mV (read: {said}); nothing was re-tied",
                hint="discharge it through a resistor, do not short it, then start again",
            )
        clock.sleep_s(_POLL_S)


class Energised:
    """Hold an output on while inside the block.

    A class and no generator: in a generator's `__enter__` a Ctrl-C can strike after the output
    went on and before the `with` block is entered, and nothing would switch it off.
    """

    def __init__(
        self, guard: GuardedSupply, channel: int, volts: float, amps: float, reason: str,
        need: Need, part: Maximum | None, start_amps: float | None = None,
        start_volts: float | None = None,
    ) -> None:  # fmt: skip
        self._guard = guard
        self._supply = guard.supply
        self.channel = channel
        self.volts = volts
        self.amps = amps
        self._reason = reason
        self._need = need
        self._part = part
        self._clean_ups = CleanUps()
        self._on_since_s = math.inf
        self._outer: Energised | None = None
        self._over_voltage_v = math.nan
        self._off: str | None = None
        self._volts_now = volts if start_volts is None else min(start_volts, volts)
        self._amps_now = amps if start_amps is None else min(start_amps, amps)
        self._run_down: tuple[int, float] | None = None

    def check_time(self, more_s: float = 0.0) -> None:
        """Raise LimitExceeded when the output is, or in `more_s` will be, on for too long."""
        if self._outer is not None:
            self._outer.check_time(more_s)
        on_for = self._guard.clock.monotonic_s() - self._on_since_s
        if on_for + more_s > self._need.time_s:
            raise LimitExceeded(
                f"the output of channel {self.channel} would be on for {on_for + more_s:.3g} s, "
                f"longer than the {self._need.time_s:g} s of {self._need.name}; it was switched off"
            )

    def set_volts(self, volts: float) -> None:
        """Change the voltage while on: never above what was asked for, down to 0.

        At 0 V with the output still on the supply itself empties its output capacitor. Raises
        LimitExceeded, SafetyError when the output is not on, SettingNotTaken.
        """
        if self._guard.energised_now is not self:
            raise SafetyError("a voltage was to be set on an output that is not on")
        if not 0.0 <= volts <= self.volts * (1 + 1e-9):
            raise LimitExceeded(
                f"{volts:g} V was to be set where {self.volts:g} V was agreed to; nothing was set"
            )
        self.check_time()
        setting = self._supply.program(
            self.channel,
            voltage_v=volts,
            current_a=self._amps_now,
            over_voltage_v=self._over_voltage_v,
        )
        self._volts_now = volts
        self._check_taken(setting, volts)
        self._guard.journal.write("energised", channel=self.channel, setting=setting)

    def set_amps(self, amps: float) -> None:
        """Change the current limit while on: never above what was asked for, down to 0.

        Raises as `set_volts`.
        """
        if self._guard.energised_now is not self:
            raise SafetyError("a current was to be set on an output that is not on")
        if not 0.0 <= amps <= self.amps * (1 + 1e-9):
            raise LimitExceeded(
                f"{amps:g} A was to be set where {self.amps:g} A was agreed to; nothing was set"
            )
        self.check_time()
        self._program_amps(amps)

    @property
    def amps_now(self) -> float:
        """Tell the current limit set now (A)."""
        return self._amps_now

    def run_down_first(self, steps: int, pause_s: float) -> None:
        """Run the current down in so many steps before the output goes off, however this is left.

        For a current through an inductance, which kicks back when it is broken. A stop does not
        wait for it: then off goes out at once (rule 7). Nor does the off wait for a supply that
        does not answer: the first step that fails ends the running down.
        """
        self._run_down = (steps, pause_s)

    def _program_amps(self, amps: float) -> None:
        setting = self._supply.program(
            self.channel,
            voltage_v=self._volts_now,
            current_a=amps,
            over_voltage_v=self._over_voltage_v,
        )
        self._amps_now = amps
        self._check_taken(setting, self._volts_now)
        self._guard.journal.write("energised", channel=self.channel, setting=setting)

    def _run_current_down(self) -> None:
        if self._run_down is None or self._guard.stop.requested or self._amps_now <= 0.0:
            return
        steps, pause_s = self._run_down
        start_a = self._amps_now
        for step in range(steps - 1, -1, -1):
            self._program_amps(start_a * step / steps)
            self._guard.clock.sleep_s(pause_s)

    def __enter__(self) -> Self:
        guard = self._guard
        self._check_beside()
        self._check_request()
        setting = self._program()
        watchdog_s = self._arm_watchdog()
        guard.stop.check()
        # On disk before the output is on, so that a kill at any moment leaves a trace (rule 5).
        guard.journal.write(
            "about-to-energise",
            channel=self.channel,
            reason=self._reason,
            need=self._need,
            setting=setting,
            watchdog_s=watchdog_s,
        )
        try:
            self._outer, guard.energised_now = guard.energised_now, self
            guard.charged.add(self.channel)
            # Run newest first: off, then the journal, then the rest.
            self._clean_ups.add("forget that the output was on", self._forget)
            if watchdog_s is not None:
                self._clean_ups.add("disarm the supply's watchdog", self._disarm_watchdog)
            self._clean_ups.add("journal the off", self._journal_off)
            self._clean_ups.add("switch the output off", self._switch_off)
            # Rule 7: a stop from any thread, or from a signal handler, sends off at once.
            self._clean_ups.add("take the stop hook out", guard.stop.add_hook(self._on_stop))
            self._clean_ups.add("stop the backstop", self._start_backstop().cancel)
            # A stop that came before the hook was in place is seen here, before the output is on.
            guard.stop.check()
            self._on_since_s = guard.clock.monotonic_s()
            # Rule 2: inside the try, since a lost reply may mean that the output is on.
            self._supply.switch_on(self.channel)
            # A stop between that check and the on: its off was sent too early.
            guard.stop.check()
            self._verify_on()
            guard.journal.write("energised", channel=self.channel, setting=setting)
            self._clean_ups.add("run the current down", self._run_current_down)
            return self
        except BaseException as error:
            self._leave(error)
            raise

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._leave(exc)

    def _check_beside(self) -> None:
        """Refuse a second output, but for a drain beside the gate that a need names."""
        on, beside = self._guard.energised_now, self._need.beside_channel
        if beside is not None and (on is None or on.channel != beside):
            raise SafetyError(
                f"{self._need.name} needs channel {beside} to be on first: a gate that floats "
                "while the drain is biased switches itself on; the output stayed off"
            )
        if on is not None and (beside is None or on.channel == self.channel):
            raise SafetyError("an output is on already: one energised step at a time")

    def _check_request(self) -> None:
        channels = self._supply.channels
        if not 1 <= self.channel <= channels:
            raise LimitExceeded(
                f"channel {self.channel} was asked for; the supply has channels 1 to {channels}"
            )
        # Rule 1.
        check_request(
            volts=self.volts,
            amps=self.amps,
            bench=self._guard.limits,
            need=self._need,
            part=self._part,
            output_capacitance_f=self._guard.output_capacitance_f,
        )

    def _program(self) -> SupplySetting:
        # Rule 2: off is read back before anything is programmed, and rule 6: the limits are in
        # the supply before it is on.
        self._guard.read_back_off(self.channel)
        over_voltage_v = self.volts * 1.1 + 0.5
        setting = self._supply.program(
            self.channel,
            voltage_v=self._volts_now,
            current_a=self._amps_now,
            over_voltage_v=over_voltage_v,
        )
        self._over_voltage_v = over_voltage_v
        self._check_taken(setting, self._volts_now)
        return setting

    def _check_taken(self, setting: SupplySetting, volts: float) -> None:
        wrong = [
            f"{name} {read:g} {unit} instead of {asked:g} {unit}"
            for name, asked, read, unit, step in (
                ("voltage", volts, setting.voltage_v, "V", _VOLTAGE_STEP_V),
                ("current limit", self._amps_now, setting.current_a, "A", _CURRENT_STEP_A),
                ("over-voltage protection", self._over_voltage_v, setting.over_voltage_v, "V", 0.2),
            )
            if not abs(read - asked) <= step + _RELATIVE_STEP * asked
        ]
        if wrong:
            raise SettingNotTaken(
                f"the supply read back {', '.join(wrong)}; the output is off",
                instrument=self._supply.role,
                hint="is the front panel locked, or a limit set there?",
            )

    def _arm_watchdog(self) -> float | None:
        """Arm the supply's own watchdog where it has one; return its delay (s).

        Rule 6: nothing here survives kill -9 or a pulled cable. Nothing is on longer than the need
        allows, so no longer silence is meant.
        """
        supply = self._supply
        if self._guard.energised_now is not None:
            return None  # that of the channel beside which this one comes on is running
        if isinstance(supply, WatchedSupply) and supply.has_watchdog:
            return supply.arm_watchdog(self._need.time_s)
        return None

    def _disarm_watchdog(self) -> None:
        assert isinstance(self._supply, WatchedSupply)
        self._supply.disarm_watchdog()

    def _start_backstop(self) -> threading.Timer:
        """Force the output off when nothing came back for longer than the need allows (real s).

        The time on is looked at before each action. This is for an action that does not come back:
        a person who reads a display and is called away.
        """
        timer = threading.Timer(self._need.time_s + _BACKSTOP_MARGIN_S, self._supply.force_off)
        timer.daemon = True
        timer.start()
        return timer

    def _verify_on(self) -> None:
        if not self._supply.is_on(self.channel):
            raise SettingNotTaken(
                f"channel {self.channel} was switched on and reads back off",
                instrument=self._supply.role,
                hint="did the over-voltage protection trip, or did someone press output off?",
            )
        for reading, asked, margin in (
            (self._supply.read_voltage(self.channel), self._volts_now, _OVERSHOOT_V),
            (self._supply.read_current(self.channel), self.amps, _OVERSHOOT_A),
        ):
            highest = asked * (1 + _OVERSHOOT_RELATIVE) + margin
            if reading.status != STATUS_OK or reading.value is None or reading.value > highest:
                raise LimitExceeded(
                    f"channel {self.channel} was set to {asked:g} {reading.unit} and measures "
                    f"{reading.raw.strip()}",
                    hint="do not use this supply before it has been checked",
                )

    def _on_stop(self) -> None:
        # The block's own clean-up follows and decides; this one only makes it early.
        self._supply.force_off()

    def _leave(self, first: BaseException | None) -> None:
        self._clean_ups.run(first)
        if isinstance(first, LabbenchError):
            first.add_note(f"the output of channel {self.channel} was switched off and read back")

    def _switch_off(self) -> None:
        trouble: BaseException
        try:
            self._supply.switch_off(self.channel)
            if not self._supply.is_on(self.channel):
                self._off = "read back"
                return
            trouble = SettingNotTaken(
                f"channel {self.channel} read back on after an off; a second off worked",
                instrument=self._supply.role,
                hint="do not use this supply before it has been checked",
            )
        except BaseException as error:  # a Ctrl-C too: the output comes first
            trouble = error
        # Rule 4: once more, on a link opened anew.
        try:
            confirmed = self._supply.force_off()
        except BaseException as error:
            confirmed = False
            trouble.add_note(f"and the forced off broke off: {type(error).__name__}: {error}")
        if not confirmed:
            raise output_unknown(
                self._supply, self.channel, f"{type(trouble).__name__}: {trouble}"
            ) from trouble
        self._off = "forced"
        raise trouble

    def _journal_off(self) -> None:
        # Rule 8: this comes after the off, so a full disk cannot prevent it.
        if self._off is None:
            self._guard.journal.write("output-unknown", channel=self.channel)
        else:
            self._guard.journal.write("off", channel=self.channel, confirmed=self._off)

    def _forget(self) -> None:
        self._guard.energised_now = self._outer


def output_unknown(supply: Supply, channel: int, trouble: str) -> OutputStateUnknown:
    """Return the error of an off that could not be confirmed, for the caller to raise."""
    return OutputStateUnknown(
        f"the output of channel {channel} of the supply at {supply.address} may still be ON: off "
        "was sent, again on a link opened anew, and could not be read back "
        f"({trouble})",
        hint="press the supply's own output switch now, then pull its leads",
    )


def _low(reading: ScalarReading) -> bool:
    return (
        reading.status == STATUS_OK
        and reading.value is not None
        and abs(reading.value) < DISCHARGED_V
    )
