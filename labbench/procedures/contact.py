"""Let the contact itself start the sweep: wait until what is in the jig reads the same."""

from __future__ import annotations

__all__ = ["Contact", "ContactSettings", "wait_for_contact"]

from typing import Literal

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.errors import StepAborted
from labbench.ports import STATUS_OK, Event, Hookup, ImpedanceReading, Prompt
from labbench.procedures.hookups import COIL_IMPEDANCE

#: "contact": something conducts and holds still; "open": it is in the jig and does not conduct
Contact = Literal["contact", "open"]
_Seen = Literal["contact", "open", "unsteady"]


@frozen(kw_only=True)
class ContactSettings:
    """Hold what counts as contact.

    Readings agree within a share of |Z| plus a floor (ohm); `agreeing` of them in a row over
    `steady_s` make a steady contact: bounce is over in some 0.1 s, a tip that is not pressed home
    holds one value for a few tenths (common practice, no source). More than `open_ohm` at
    `frequency_hz` is no contact.
    """

    frequency_hz: float = 10e3
    level_v: float = 0.1
    aperture_s: float = 0.02
    agreeing: int = 4
    steady_s: float = 0.6
    share: float = 0.01
    floor_ohm: float = 2e-3
    open_ohm: float = 1e3
    poll_s: float = 0.05
    #: bench seconds until a person is asked
    patience_s: float = 60.0
    #: bench seconds until a part that is in the jig for certain is called unsteady
    patience_placed_s: float = 5.0
    #: but never by fewer readings: a slow meter or a busy computer gives few in that time
    least_readings: int = 12


def wait_for_contact(
    bench: Bench,
    position: str | None = None,
    *,
    settings: ContactSettings | None = None,
    hookup: Hookup = COIL_IMPEDANCE,
) -> Contact:
    """Wait until a part conducts and holds still; return "open" for one that does not conduct.

    By relay switch the part is there: an open that holds is the answer. By hand an open means that
    nothing is in the jig yet; a contact that is there from the start may be the part before, so
    the person is asked; after `patience_s` they may say that it is in the jig all the same. With a
    meter that is read by hand the person says when it is there, and nothing is polled.
    Raises StepAborted where the contact never holds still or the person says it is not there.
    """
    chosen = settings or ContactSettings()
    if bench.impedance_by_hand:
        # Nobody types numbers until they agree: the person says when it is in the jig.
        bench.connect(hookup, position)
        return "contact"
    bench.connect(hookup, position, by_contact=True)

    def watch(patience_s: float, *, ends_open: bool, first_open: bool = False) -> _Seen:
        return bench.repeatable(
            "contact",
            lambda: _watch(bench, chosen, patience_s, ends_open, first_open),
            position=bench.joined.position,
        )

    def placed() -> Contact:
        seen = watch(chosen.patience_placed_s, ends_open=True)
        if seen == "unsteady":
            raise StepAborted(
                f"the contact did not hold still within {chosen.patience_placed_s:g} s; "
                "nothing was energised",
                hint="clean the terminals, press the part home, then start again",
            )
        return seen

    if not bench.by_person:
        return placed()
    part_before = watch(0.0, ends_open=False) != "open" and not _is_there_already(bench)
    while True:
        bench.tell(Event("waiting-for-contact", {"position": bench.joined.position}))
        if watch(chosen.patience_s, ends_open=False, first_open=part_before) == "contact":
            return "contact"
        if _is_there_all_the_same(bench):
            return placed()


def _watch(
    bench: Bench,
    settings: ContactSettings,
    patience_s: float,
    ends_open: bool,
    first_open: bool,
) -> _Seen:
    """Read until a contact holds still, or an open does where that is an answer.

    With `first_open` a contact counts only after an open was seen: the part before has to go.
    Without patience one reading decides.
    """
    lowest, highest = bench.impedance_range_hz
    # A hand moves the part; relays do not, and have come to rest when they read back closed.
    steady_s = settings.steady_s if bench.by_person else 0.0
    bench.prepare_impedance()
    bench.set_impedance_point(
        frequency_hz=min(max(settings.frequency_hz, lowest), highest),
        level_v=settings.level_v,
        aperture_s=settings.aperture_s,
        averages=1,
    )
    least = settings.least_readings if patience_s else 1
    begun_s = bench.clock.monotonic_s()
    # Readings in a row that agree: the first of them, since when, and how many.
    anchor: complex | None = None
    since_s, count, readings = begun_s, 0, 0
    while True:
        before_s = bench.clock.monotonic_s()
        now = _impedance(bench.take_impedance(), settings)
        is_open = now is None
        readings += 1
        if count and _agree(anchor, now, settings):
            count += 1
        else:
            anchor, since_s, count = now, before_s, 1
        now_s = bench.clock.monotonic_s()
        steady = count >= settings.agreeing and now_s - since_s >= steady_s
        if is_open:
            first_open = False
        if steady and not is_open and not first_open:
            return "contact"
        if steady and is_open and ends_open:
            return "open"
        if now_s - begun_s >= patience_s and readings >= least:
            return "open" if is_open else "unsteady"
        bench.settle(settings.poll_s)


def _impedance(reading: ImpedanceReading, settings: ContactSettings) -> complex | None:
    """Return the impedance (ohm), None for an open: over range or beyond what a coil can have."""
    if (
        reading.status != STATUS_OK
        or reading.resistance_ohm is None
        or reading.reactance_ohm is None
    ):
        return None
    z = complex(reading.resistance_ohm, reading.reactance_ohm)
    return z if abs(z) <= settings.open_ohm else None


def _agree(one: complex | None, other: complex | None, settings: ContactSettings) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= settings.share * abs(one) + settings.floor_ohm


def _is_there_already(bench: Bench) -> bool:
    """Ask whether what conducts at the start is the part wanted, or the part before it."""
    detail = {"position": bench.joined.position}
    prompt = Prompt("confirm", "already-in-the-jig", ("yes", "no"), "yes", detail)
    return bench.ask(prompt) == "yes"


def _is_there_all_the_same(bench: Bench) -> bool:
    """Ask what to do without contact: it is in the jig (yes), wait on (again), or give up (no)."""
    position = bench.joined.position
    prompt = Prompt(
        "confirm", "in-the-jig", ("yes", "again", "no"), "again", {"position": position}
    )
    answer = bench.ask(prompt)
    if answer == "no":
        raise StepAborted(
            f"{position or 'the part'} is not in the jig; nothing was energised",
            hint="place it and start again",
        )
    return answer == "yes"
