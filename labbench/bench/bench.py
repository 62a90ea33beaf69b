"""Be the open bench: what procedures call, each call guarded and journalled.

Every action looks at the stop flag first, is journalled before (what acts) or before the next
one (what reads), and keeps the limits. Procedures therefore hold no such code.
"""

from __future__ import annotations

__all__ = ["Bench"]

from collections.abc import Callable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Self

from attrs import evolve

from labbench.bench.acting import OUT_OF_STEP
from labbench.bench.cleanups import CleanUps
from labbench.bench.connections import Joined
from labbench.bench.guarded_supply import Energised
from labbench.bench.limits import Maximum, Need
from labbench.bench.measuring import Measuring
from labbench.errors import SafetyError, StepAborted
from labbench.ports import Hookup, Identity, Prompt, ScalarReading


class Bench(Measuring):
    """Be the bench of one run; instruments that it does not have are None.

    A context manager: leaving it makes the bench safe (`make_safe`).
    """

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        clean_ups = CleanUps()
        clean_ups.add("make the bench safe", self.make_safe)
        clean_ups.run(exc)

    @property
    def by_person(self) -> bool:
        """Tell whether a person makes hookups and placements."""
        return self._connections.by_person

    def knows(self, hookup: Hookup) -> bool:
        """Tell whether this hookup can be made here: an older bench file may lack its relays."""
        return self._connections.knows(hookup)

    def identify(self) -> dict[str, Identity]:
        """Read every instrument's identity, journal it, and return it by role."""
        found = {}
        for instrument in self.instruments:
            with self._acting(instrument):
                found[instrument.role] = instrument.identify()
            self.journal.write(
                "identified",
                role=instrument.role,
                address=instrument.address,
                identity=found[instrument.role],
            )
        return found

    @property
    def may_energise(self) -> bool:
        """Tell whether a person's consent to switch the supply on still holds."""
        return self._consent

    def ask_to_energise(self, name: str, *, while_it_stays: bool = False, **detail: object) -> None:
        """Ask whether the supply may be switched on now; Enter or the pedal means yes.

        The consent holds until the next re-tie; with `while_it_stays` it holds through what relays
        do while the same part stays in the jig, and still ends with anything that a hand does.
        Raises StepAborted on a no.
        """
        prompt = Prompt("energise", name, choices=("yes", "no"), default="yes", detail=detail)
        if self.ask(prompt) != "yes":
            raise StepAborted(f"{name}: the supply was not to be switched on; the output is off")
        self._consent = True
        self._consent_stays = while_it_stays and not self.by_person

    def connect(
        self, hookup: Hookup, position: str | None = None, *, by_contact: bool = False
    ) -> None:
        """Make a hookup with something in the jig: a specimen, `open` or `short`.

        Without `position` what is in the jig stays there. The output is read back off and less
        than 20 mV is left before anything moves. With `by_contact` a person is not asked to
        confirm a placement, because the contact itself is waited for next.
        Raises InputError, StepAborted, StillCharged, SafetyError.
        """
        self.stop.check()
        self._refuse_while_on(f"connect {hookup.name}")
        wanted = Joined(hookup, position if position is not None else self.joined.position)
        with self._acting(self.switch):
            change = self._connections.plan(self.joined, wanted)
        if change is None:
            self.joined = wanted
            return
        self._before_a_re_tie(hookup)
        self.journal.write(
            "connect",
            hookup=hookup.name,
            position=wanted.position,
            by="person" if self.by_person else "switch",
            change=change,
        )
        now, self.joined = self.joined, Joined()  # unknown, should it break off half way
        if not self._consent_stays or wanted.position != now.position:
            self._consent = False
        with self._acting(self.switch):
            self._connections.make(now, wanted, by_contact=by_contact)
        self.joined = wanted

    def open_all(self) -> None:
        """Part the instruments from the jig; by hand that waits for the next hookup."""
        self.stop.check()
        self._refuse_while_on("open all relays")
        self._before_a_re_tie(None)
        if not self.by_person:
            self.journal.write(
                "connect", hookup=None, position=None, by="switch", change={"relays": []}
            )
        with self._acting(self.switch):
            self._release()

    def make_safe(self) -> None:
        """Leave the bench safe: outputs read back off, charge waited out, relays open.

        Works after a stop and after an error, on links brought back into step where need be.
        Each part is tried; raises OutputStateUnknown, StillCharged or what else came first.
        """
        clean_ups = CleanUps()
        clean_ups.add("open the relays", self._release_when_discharged)
        if self._guard is not None and self._guard.charged:
            clean_ups.add("see the charge gone", self._settle_supply)
        clean_ups.run(None)

    def energised(
        self,
        channel: int = 1,
        *,
        volts: float,
        amps: float,
        reason: str,
        need: Need | None = None,
        part: Maximum | None = None,
        start_amps: float | None = None,
        start_volts: float | None = None,
    ) -> AbstractContextManager[Energised]:
        """Return a context manager inside which an output is on (labbench.bench.guarded_supply).

        Without `need` what holds without a resistor: 0.2 V, 0.1 A, 20 µJ. It comes up with
        `start_amps` and `start_volts` where given. Raises SafetyError where nobody agreed since
        the last re-tie (`ask_to_energise`).
        """
        self.stop.check()
        guard = self._require_guard()
        if not self._consent:
            raise SafetyError(
                f"{reason}: nobody agreed to switch the supply on since the last re-tie; "
                "the output is off"
            )
        self._use(guard.supply)
        return guard.energised(
            channel, volts=volts, amps=amps, reason=reason, need=need or Need(reason), part=part,
            start_amps=start_amps, start_volts=start_volts,
        )  # fmt: skip

    def _before_a_re_tie(self, hookup: Hookup | None) -> None:
        """Read back off and see less than 20 mV at every channel that is or gets joined."""
        if self._guard is None:
            return
        joined = (self.joined.hookup, hookup)
        if any(one is not None and "supply" in one.instruments for one in joined):
            # Someone may have used the front panel, so channel 1 is looked at in any case.
            channels = self._guard.charged | {1}
        else:
            channels = set(self._guard.charged)
        for channel in sorted(channels):
            with self._acting(self._guard.supply):
                self._guard.read_back_off(channel)
                self._guard.wait_discharged(channel, self._across_part())

    def _across_part(self) -> Callable[[], ScalarReading] | None:
        """Return what reads the voltage across the part, where the multimeter is joined to it."""
        hookup = self.joined.hookup
        if self.multimeter is None or hookup is None or "multimeter" not in hookup.instruments:
            return None
        return self.multimeter.read if self._multimeter_function == "voltage" else None

    def _settle_supply(self) -> None:
        guard = self._require_guard()
        for channel in sorted(guard.charged):
            guard.make_off(channel)
            try:
                guard.wait_discharged(channel)
            except OUT_OF_STEP:
                # After a stop or a lost link the session is out of step.
                guard.supply.recover()
                guard.make_off(channel)
                guard.wait_discharged(channel)

    def _release_when_discharged(self) -> None:
        if self._guard is not None and (self._guard.charged or self._guard.energised_now):
            return  # relays do not move under charge; that error is under way already
        try:
            self._release()
        except OUT_OF_STEP:
            assert self.switch is not None
            self.switch.recover()
            self._release()

    def _release(self) -> None:
        self.joined = evolve(self.joined, hookup=None) if self.by_person else Joined()
        self._consent = False
        self._connections.release()
