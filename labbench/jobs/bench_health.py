"""Tell what is connected and whether it is healthy. Measures nothing, energises nothing."""

from __future__ import annotations

__all__ = ["RoleHealth", "bench_health", "compensation_state", "overdue"]

from datetime import date

from attrs import frozen

from labbench.bench.bench_file import BenchFile
from labbench.bench.opened import OpenBench
from labbench.errors import CompensationError, LabbenchError
from labbench.jobs.compensate import MAXIMUM_AGE_S, fixture_of
from labbench.metrology.compensation import require
from labbench.ports import Instrument
from labbench.records.compensation_file import latest_compensation
from labbench.records.folder import DataFolder


@frozen
class RoleHealth:
    """Hold what is known of one instrument; `problems` are sentences, empty where it is well."""

    role: str
    address: str
    identity: str
    class_name: str
    calibrated: date | None
    due: date | None
    problems: tuple[str, ...] = ()
    #: what is no trouble now, such as old entries of its error queue
    remarks: tuple[str, ...] = ()


def overdue(file: BenchFile, today: date) -> tuple[str, ...]:
    """Return a sentence for each instrument whose calibration was due before today."""
    return tuple(
        f"the calibration of the {role.replace('_', ' ')} was due on {due}: "
        "what it says is in doubt"
        for role in ("impedance_meter", "supply", "multimeter")
        if (due := getattr(getattr(file.instruments, role), "due", None)) is not None
        and due < today
    )


def bench_health(opened: OpenBench, *, today: date) -> list[RoleHealth]:
    """Ask every instrument for its identity, error queue and (supply) output state.

    An instrument that could not be opened is listed with the reason.
    """
    found = []
    for role, error in opened.unreachable.items():
        entry = getattr(opened.file.instruments, role)
        found.append(
            RoleHealth(
                role=role,
                address=entry.resource,
                identity="",
                class_name=getattr(entry, "class_", ""),
                calibrated=getattr(entry, "calibrated", None),
                due=getattr(entry, "due", None),
                problems=(str(error),),
            )
        )
    for role, instrument in opened.instruments():
        entry = getattr(opened.file.instruments, role)
        problems: list[str] = []
        identity = ""
        try:
            identity = instrument.identify().raw.strip()
            instrument.check_errors()
        except LabbenchError as error:
            problems.append(str(error))
        if role == "supply" and opened.supply is not None and not problems:
            try:
                on = [n for n in range(1, opened.supply.channels + 1) if opened.supply.is_on(n)]
            except LabbenchError as error:
                problems.append(str(error))
            else:
                problems += [f"the output of channel {n} is ON" for n in on]
        due = getattr(entry, "due", None)
        if due is not None and due < today:
            problems.append(f"its calibration was due on {due}")
        found.append(
            RoleHealth(
                role=role,
                address=instrument.address,
                identity=identity,
                class_name=getattr(entry, "class_", ""),
                calibrated=getattr(entry, "calibrated", None),
                due=due,
                problems=tuple(problems),
                remarks=_remarks(instrument),
            )
        )
    return found


def _remarks(instrument: Instrument) -> tuple[str, ...]:
    """Tell what lay in the error queue when the link was opened: nobody's fault now."""
    old = getattr(instrument, "errors_at_opening", ())
    if not old:
        return ()
    return ("its error queue held, from before: " + "; ".join(str(entry) for entry in old),)


def compensation_state(opened: OpenBench, data: DataFolder) -> tuple[bool, str]:
    """Tell whether the latest compensation may be used, and a sentence about it."""
    try:
        latest = latest_compensation(data.compensations, opened.file.name)
        usable = require(latest, (), opened.clock.utc(), MAXIMUM_AGE_S, fixture=fixture_of(opened))
    except CompensationError as error:
        return False, str(error)
    hours = usable.age_s(opened.clock.utc()) / 3600
    return True, f"taken {usable.taken_utc} ({hours:.1f} h ago), fixture {usable.fixture}"
