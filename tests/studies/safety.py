"""Run every procedure for switches and rails on every fault, and count broken rules.

The monitor in the simulated circuit (sim/monitor.py) looks at every node at every step. Run it with
`make study` for the whole table; tests/studies/test_safety.py runs a part of it. Does not cover:
hookups made by a person, links that fail (tests/faults), real parts.

    python -m tests.studies.safety --write
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

from attrs import Factory, define, frozen

from drivers import relay_switch
from labbench.bench.bench_file import load_bench_file
from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.compose import data_folder, open_bench
from labbench.errors import LabbenchError
from labbench.jobs.after_fitting import after_fitting
from labbench.jobs.first_power import first_power_of_board
from labbench.jobs.in_place import look_in_place
from labbench.jobs.part_types import find_any
from labbench.jobs.rail import RailRequest, rail_check
from labbench.jobs.request import Request, Way
from labbench.jobs.verify import verify
from labbench.ports import Event, Prompt
from labbench.records.folder import DataFolder
from sim.clock import ManualClock
from sim.served import ServedBench
from sim.switch_bench import SwitchBench
from tests.studies.safety_benches import (
    BOARD_FAULTS,
    BOARDS,
    FET_FAULTS,
    FETS,
    LOAD_FAULTS,
    LOADS,
    STAGE,
    STAGE_FAULTS,
    Instruments,
    Laid,
    lay_out,
)

TABLE = Path(__file__).parent / "results" / "safety.md"
SEED = 20261125
#: nothing here has to outlive a power cut, and a disk that is asked to makes hours of it
MEMORY_DISK = Path("/dev/shm")

Do = Callable[[OpenBench, Laid, DataFolder], None]


class Agreeing:
    """Be the person who agrees to everything."""

    interactive = False

    def ask(self, prompt: Prompt) -> str:
        """Agree; what is looked at is fine."""
        if prompt.name == "look":
            return "fine"
        return "yes" if "yes" in prompt.choices else prompt.default or "yes"

    def tell(self, event: Event) -> None:
        """Hear it."""


class Jumping:
    """Be the core's clock on the simulated one, which jumps."""

    def __init__(self, simulated: ManualClock) -> None:
        self._simulated = simulated

    def utc(self) -> datetime:
        """Give the time of day."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Give the simulated seconds."""
        return self._simulated.now_s()

    def sleep_s(self, seconds: float) -> None:
        """Let simulated time pass."""
        self._simulated.sleep_s(seconds)


@frozen(kw_only=True)
class Trial:
    """Name a procedure on a kind of part and bench, and the faults that it meets."""

    procedure: str
    part: tuple[str, str]
    faults: Mapping[str, Sequence[str]]
    do: Do
    instruments: Instruments = Factory(Instruments)


@define
class Row:
    """Count what one procedure did, over all parts that it met."""

    runs: int = 0
    refused: int = 0
    simulated_s: float = 0.0
    broken: list[tuple[str, str]] = Factory(list)
    nearest: dict[str, float] = Factory(dict)
    faults: set[str] = Factory(set)

    def add(self, other: Row) -> None:
        """Take another row in."""
        self.runs += other.runs
        self.refused += other.refused
        self.simulated_s += other.simulated_s
        self.broken += other.broken
        self.faults |= other.faults
        for rule, share in other.nearest.items():
            self.nearest[rule] = max(share, self.nearest.get(rule, 0.0))


def _verify(way: Way) -> Do:
    def do(opened: OpenBench, laid: Laid, data: DataFolder) -> None:
        request = Request(
            part=find_any(laid.part_type, ()), specimen=laid.specimen, who="study",
            position=laid.specimen, way=way, with_look=False,
        )  # fmt: skip
        if way == "in-place":
            look_in_place(opened, request, operator=Agreeing(), data=data, stop=StopFlag())
        else:
            verify(opened, request, operator=Agreeing(), data=data)

    return do


def _rail(job: Callable[..., object], **more: object) -> Do:
    def do(opened: OpenBench, laid: Laid, data: DataFolder) -> None:
        request = RailRequest(
            board="radar", rail=laid.part_type, serial=laid.specimen, who="study",
            position=laid.specimen, large_core=laid.part_type == "core", **more,  # type: ignore[arg-type]
        )  # fmt: skip
        job(opened, request, operator=Agreeing(), data=data, stop=StopFlag())

    return do


def trials() -> list[Trial]:
    """List every procedure with every kind of part and bench."""
    found: list[Trial] = []
    for word, part in FETS.items():
        found.append(Trial(procedure=f"MOSFET, {word}", part=part, faults=FET_FAULTS,
                           do=_verify("full")))  # fmt: skip
    n_channel = FETS["n-channel"]
    large = Instruments(capacitance="1 mF")
    one = Instruments(channels=1)
    bare = Instruments(multimeter=False)
    for word, instruments in (
        ("output capacitor of 1 mF", large), ("one channel", one), ("no multimeter", bare),
    ):  # fmt: skip
        found.append(Trial(procedure=f"MOSFET, {word}", part=n_channel, faults=FET_FAULTS,
                           do=_verify("full"), instruments=instruments))  # fmt: skip
    for word in ("n-channel", "p-channel"):
        found.append(Trial(procedure=f"MOSFET screen, {word}", part=FETS[word],
                           faults=FET_FAULTS, do=_verify("screen")))  # fmt: skip
        found.append(Trial(procedure=f"MOSFET in place, {word}", part=FETS[word],
                           faults=FET_FAULTS, do=_verify("in-place")))  # fmt: skip
    for word, instruments in (
        ("two channels", Instruments()), ("one channel", one), ("output capacitor of 1 mF", large),
    ):  # fmt: skip
        found.append(Trial(procedure=f"power stage, {word}", part=STAGE, faults=STAGE_FAULTS,
                           do=_verify("full"), instruments=instruments))  # fmt: skip
    found.append(Trial(procedure="power stage screen", part=STAGE, faults=STAGE_FAULTS,
                       do=_verify("screen")))  # fmt: skip
    found.append(Trial(procedure="power stage in place", part=STAGE, faults=STAGE_FAULTS,
                       do=_verify("in-place")))  # fmt: skip
    without = Instruments(impedance_meter=False)
    for word, part in LOADS.items():
        found.append(Trial(procedure=f"load, {word}", part=part, faults=LOAD_FAULTS,
                           do=_rail(rail_check), instruments=without))  # fmt: skip
    for word, part in BOARDS.items():
        found.append(Trial(procedure=f"after fitting, {word} board", part=part, faults=BOARD_FAULTS,
                           do=_rail(after_fitting, phases=2), instruments=without))  # fmt: skip
        found.append(Trial(procedure=f"first power, {word} board", part=part, faults=BOARD_FAULTS,
                           do=_rail(first_power_of_board), instruments=without))  # fmt: skip
    return found


@contextmanager
def laid_out(trial: Trial, folder: Path) -> Iterator[tuple[ServedBench, list[Laid]]]:
    """Serve the bench of a trial."""
    scenario = folder / "safety.toml"
    laid = lay_out(scenario, trial.part, trial.faults, trial.instruments, SEED)
    with ServedBench(scenario, manual_clock=True) as served:
        yield served, laid


def run_trial(
    trial: Trial, *, only: Callable[[Laid], bool] = lambda laid: True,
    edit: Callable[[str], str] = lambda text: text,
) -> Row:  # fmt: skip
    """Run a procedure on each part in turn and return what was counted.

    `edit` changes the bench file before it is read. Procedures end in an error of ours where they
    refuse a part; any other error is raised.
    """
    row = Row()
    where = MEMORY_DISK if MEMORY_DISK.is_dir() else None
    with tempfile.TemporaryDirectory(dir=where) as name:
        folder = Path(name)
        with laid_out(trial, folder) as (served, laid):
            clock, bench = served.clock, served.bench
            assert isinstance(clock, ManualClock)
            assert isinstance(bench, SwitchBench)
            path = folder / "bench.toml"
            path.write_text(edit(served.bench_toml()), encoding="utf-8")
            # relays take their time on the simulated clock, as everything here does
            relays_wait = SimpleNamespace(sleep=clock.sleep_s)
            file, data = load_bench_file(path), data_folder(folder / "data")
            for each in filter(only, laid):
                known = len(bench.violations)
                row.runs += 1
                row.faults.add(each.fault)
                try:
                    with (
                        mock.patch.object(relay_switch, "time", relays_wait),
                        open_bench(
                            file, data, clock=Jumping(clock), log_exchanges=False
                        ) as opened,
                    ):  # fmt: skip
                        trial.do(opened, each, data)
                except LabbenchError:
                    row.refused += 1
                if any(bench.supply.output(n + 1) for n in range(trial.instruments.channels)):  # type: ignore[union-attr]
                    row.broken.append(("left on", f"{each.fault}: an output was left on"))
                row.broken += [
                    (found.rule, f"{each.fault}: {found.sentence}")
                    for found in bench.violations[known:]
                ]
            row.nearest = bench.nearest
            row.simulated_s = clock.now_s()
    return row


RULES: Mapping[str, str] = {
    "floating": "V across power terminals beside a floating gate or input",
    "resistor": "the resistor that is wanted, by the one that is there",
    "capacitor": "energy of the supply's output capacitor in the part",
    "energy": "energy in the part since the last re-tie",
    "power": "power in the part",
    "time": "time of a large current",
    "re-tie": "voltage at a re-tie",
    "contact": "current through a contact that moves",
    "rail": "voltage on a load",
}


def table(rows: Mapping[str, Row], seconds: float) -> str:
    """Write the table: a line for each procedure, and how near each rule came to its limit."""
    total = Row()
    for row in rows.values():
        total.add(row)
    lines = [
        "# Safety of the procedures for switches and rails",
        "",
        "The monitor in the simulated circuit looks at every node at every step. Each procedure "
        "meets every fault, hard and soft; a number is the largest share of a rule's limit that "
        "was reached, 1.00 being the limit itself. The resistor's share is 1 less its tolerance "
        "where the resistor is the one that is wanted. `python -m tests.studies.safety --write`, "
        f"seed {SEED}. A check against our own simulator is no outside check.",
        "",
        f"**{len(total.broken)} rules broken in {total.runs} runs, "
        f"{total.simulated_s / 3600:.1f} hours of bench time** ({len(rows)} of {len(trials())} "
        f"procedures, computed in {seconds:.0f} s).",
        "",
        "| procedure | parts | faults | broken | " + " | ".join(RULES) + " |",
        "|---|---|---|---|" + "---|" * len(RULES),
    ]
    for name, row in [*rows.items(), ("all", total)]:
        shares = " | ".join(
            f"{row.nearest[rule]:.2f}" if rule in row.nearest else "-" for rule in RULES
        )
        kinds = len(row.faults - {"none"})
        lines.append(f"| {name} | {row.runs} | {kinds} | {len(row.broken)} | {shares} |")
    lines += ["", *(f"- {rule}: {words}" for rule, words in RULES.items()), ""]
    if total.broken:
        lines += ["Broken:", "", *(f"- {rule}: {said}" for rule, said in total.broken), ""]
    return "\n".join(lines)


def main() -> None:
    """Run everything and print, or write, the table."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    options.add_argument("--write", action="store_true", help="keep the table in results/")
    options.add_argument("--only", default="", help="procedures whose name contains this")
    asked = options.parse_args()
    rows: dict[str, Row] = {}
    begun = time.monotonic()
    for trial in trials():
        if asked.only not in trial.procedure:
            continue
        row = rows[trial.procedure] = run_trial(trial)
        print(f"{trial.procedure}: {row.runs} parts, {len(row.broken)} broken, "
              f"{row.refused} refused", flush=True)  # fmt: skip
        for rule, said in row.broken:
            print(f"  {rule}: {said}", flush=True)
        if asked.write:
            # after each: what was counted is kept when somebody stops it
            TABLE.write_text(table(rows, time.monotonic() - begun), encoding="utf-8")
    print(table(rows, time.monotonic() - begun))


if __name__ == "__main__":
    main()
