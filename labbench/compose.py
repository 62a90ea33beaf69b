"""Open a bench from its file: the only module that names drivers and sim."""

from __future__ import annotations

__all__ = [
    "Serving",
    "data_folder",
    "load_bench",
    "open_bench",
    "open_simulated",
    "scan_network",
    "serial_ports",
    "serving",
    "try_dialect",
    "try_dialects",
]

import os
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from attrs import field, frozen

from labbench.bench.bench_file import BY_HAND, BenchFile, load_bench_file
from labbench.bench.clock import BenchClock
from labbench.bench.opened import OpenBench
from labbench.errors import ConnectionFailed, InputError, LabbenchError, StepAborted
from labbench.ports import Clock, Event, Operator, Prompt
from labbench.records.folder import DataFolder


def data_folder(root: Path) -> DataFolder:
    """Name the data folder at `root`; it is made when first written to."""
    return DataFolder(root.absolute())


def load_bench(path: Path | None, data: DataFolder) -> BenchFile:
    """Read the bench file given, else the one used last, else `bench.toml` here.

    Remembers it for next time. Raises FileProblems with every problem of the file.
    """
    chosen = path
    if chosen is None and (last := data.read_last_used().bench) and Path(last).exists():
        chosen = Path(last)
    if chosen is None:
        chosen = Path("bench.toml")
        if not chosen.exists():
            raise InputError(
                "no bench file: none given, none used before, and no bench.toml here",
                hint="give --bench FILE; `labbench setup` writes one (with --simulated for a "
                "simulated bench)",
            )
    bench = load_bench_file(chosen)
    data.write_last_used(bench=str(chosen.absolute()))
    return bench


@contextmanager
def open_bench(
    file: BenchFile,
    data: DataFolder,
    *,
    clock: Clock | None = None,
    operator: Operator | None = None,
    log_exchanges: bool = True,
    longest_wait_s: float | None = None,
    go_on: bool = False,
) -> Iterator[OpenBench]:
    """Open every instrument of a bench file, read its identity, and close all at the end.

    Opening reads and changes nothing. `longest_wait_s` bounds every wait for an answer, where the
    instruments are known to answer sooner than real ones may. Raises InstrumentError with one
    sentence for the first instrument that cannot be opened; those opened before are closed. With
    `go_on` the others are opened all the same, and what went wrong is in `unreachable`: to look
    at a bench, not to measure with it.
    Meters that are read by hand ask `operator`; without one a reading of theirs is StepAborted.
    """
    import drivers

    openers: dict[str, Any] = {
        "supply": drivers.open_supply,
        "impedance_meter": drivers.open_impedance_meter,
        "multimeter": drivers.open_multimeter,
        "switch": drivers.open_relay_switch,
    }
    rate = file.simulation.clock_rate if file.simulation else 1.0
    opened: dict[str, Any] = {}
    unreachable: dict[str, LabbenchError] = {}
    identities = {}
    data.locks.mkdir(parents=True, exist_ok=True)
    if log_exchanges:
        data.exchanges.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        # the supply first: if it cannot be reached nothing else is worth opening
        for role, opener in openers.items():
            entry = getattr(file.instruments, role)
            if entry is None:
                continue
            if entry.resource == BY_HAND:
                opened[role] = _by_hand(role, entry, operator or _Nobody())
                identities[role] = opened[role].identify()
                continue
            more: dict[str, Any] = {}
            if role == "multimeter":
                more["mains_hz"] = file.mains_hz
            if role == "supply":
                more["channels"] = entry.channels
            if role == "switch":
                lists = (*file.hookups.values(), *file.positions.values())
                more["relays"] = sorted({relay for relays in lists for relay in relays})
            if log_exchanges:
                more["exchange_log"] = data.exchanges / f"{os.getpid()}-{role}.log"
            try:
                instrument = opener(
                    entry.resource,
                    entry.dialect,
                    expected_identity=entry.identity,
                    lock_directory=data.locks,
                    longest_wait_s=longest_wait_s,
                    **more,
                )
                stack.callback(instrument.close)
                identities[role] = instrument.identify()
            except LabbenchError as error:
                if isinstance(error, ConnectionFailed) and (missing := _no_simulator(file)):
                    error.add_note(missing)
                if not go_on:
                    raise
                unreachable[role] = error
            else:
                opened[role] = instrument
        yield OpenBench(
            file=file,
            clock=clock or BenchClock(rate),
            identities=identities,
            unreachable=unreachable,
            **opened,
        )


def _no_simulator(file: BenchFile) -> str:
    """Say how a simulated bench is started; nothing for a bench of real instruments."""
    if file.simulation is None:
        return ""
    seed = "" if file.simulation.seed is None else f" --seed {file.simulation.seed}"
    return (
        "this bench is simulated, and its simulator does not run; in another terminal: "
        f"labbench simulate {file.simulation.scenario}{seed} --write-bench "
        f"{file.path or 'bench.toml'}"
    )


def _by_hand(role: str, entry: Any, operator: Operator) -> Any:
    """Make the meter of a role that a person reads; the bench file holds no other such role."""
    from drivers import ByHandImpedanceMeter, ByHandMultimeter
    from labbench.metrology.accuracy import impedance_accuracy

    if role == "multimeter":
        return ByHandMultimeter(operator)
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    return ByHandImpedanceMeter(
        operator, frequency_range_hz=(accuracy.frequency_min_hz, accuracy.frequency_max_hz)
    )


class _Nobody:
    """Be asked where nobody is: a meter that is read by hand cannot be read then."""

    interactive = False

    def ask(self, prompt: Prompt) -> str:
        raise StepAborted(
            "a meter of this bench is read by hand, and nobody is there to read it",
            hint="run it at a terminal",
        )

    def tell(self, event: Event) -> None:
        pass


def serial_ports() -> list[tuple[str, str]]:
    """List (address, description) of the serial ports of this computer; opens none."""
    from drivers.discovery import serial_ports as ports

    return [(found.resource, found.description) for found in ports()]


def scan_network() -> list[tuple[str, str]]:
    """List (address, what speaks for its kind of link), the best kind of link first.

    These are the addresses that answer a broadcast: only on a person's explicit wish.
    """
    from drivers import prefer
    from drivers.discovery import scan_network as scan
    from drivers.link_kinds import kind_of

    served = []
    for found in scan():
        # what answers over a kind of link that is not served is of no use here
        with suppress(InputError):
            kind_of(found.resource)
            served.append(found.resource)
    return [(offer.resource, offer.why) for offer in prefer(served)]


def try_dialect(resource: str, dialect: str | Path, data: DataFolder) -> Any:
    """Try one dialect on an instrument, line by line (drivers.trying.Trial); changes nothing."""
    from drivers.trying import try_dialect as trial

    return trial(resource, dialect, lock_directory=_locks(data))


def try_dialects(resource: str, role: str, data: DataFolder) -> list[Any]:
    """Try every dialect of a role on an instrument, the best first; changes nothing."""
    from drivers.trying import try_dialects as trials

    return list(trials(resource, (role,), lock_directory=_locks(data)))


def _locks(data: DataFolder) -> Path:
    data.locks.mkdir(parents=True, exist_ok=True)
    return data.locks


@frozen
class Serving:
    """Hold a simulated bench that is being served: addresses, bench file text, truth."""

    name: str
    seed: int
    addresses: Mapping[str, str]
    bench_toml: str
    served: Any = field(repr=False)

    @property
    def specimens(self) -> list[tuple[str, str, str]]:
        """List (name, part type that the technician is told, donor board) of every specimen."""
        return [
            (specimen.name, specimen.part_type, specimen.donor)
            for specimen in self.served.scenario.specimens
        ]

    def truth(self) -> Mapping[str, Any]:
        """Tell what each specimen really is. Only for comparing after the verdicts are closed."""
        truth: Mapping[str, Any] = self.served.truth()
        return truth


@contextmanager
def serving(
    scenario: str,
    *,
    seed: int | None = None,
    clock_rate: float | None = None,
    ports: Mapping[str, int] | None = None,
    waits: bool = True,
) -> Iterator[Serving]:
    """Serve a simulated bench on loopback sockets inside this process.

    `scenario` is a file, or the name of a shipped one. Raises InputError with every mistake of
    the scenario, or for a port that cannot be had.
    """
    from sim.served import ServedBench
    from sim.text import TextError

    try:
        bench = ServedBench(
            scenario, seed=seed, clock_rate=clock_rate, ports=ports, manual_clock=not waits
        )
    except TextError as error:
        raise InputError(str(error)) from error
    except (OSError, ValueError) as error:
        raise InputError(
            f"the scenario {scenario} cannot be served: {error}",
            hint="is another program listening on that port?",
        ) from error
    with bench as served:
        yield Serving(
            name=served.scenario.name,
            seed=served.seed,
            addresses=served.addresses,
            bench_toml=served.bench_toml(),
            served=served,
        )


@contextmanager
def open_simulated(
    scenario: str,
    data: DataFolder,
    *,
    seed: int | None = None,
    clock_rate: float | None = None,
    waits: bool = True,
) -> Iterator[tuple[Serving, OpenBench]]:
    """Serve a simulated bench and open it over its sockets, as real instruments would be.

    Without `waits` simulated time jumps where it would pass, for the bench and the core alike: the
    same numbers, as fast as the computer is.
    """
    with serving(scenario, seed=seed, clock_rate=clock_rate, waits=waits) as served:
        data.root.mkdir(parents=True, exist_ok=True)
        path = data.root / "bench.toml"
        path.write_text(served.bench_toml, encoding="utf-8")
        clock = None if waits else _JumpingClock(served.served.clock)
        with open_bench(load_bench_file(path), data, clock=clock) as opened:
            yield served, opened


class _JumpingClock:
    """Be the core's clock on a simulated bench whose time jumps."""

    def __init__(self, simulated: Any) -> None:
        self._simulated = simulated

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        now: float = self._simulated.now_s()
        return now

    def sleep_s(self, seconds: float) -> None:
        self._simulated.sleep_s(seconds)
