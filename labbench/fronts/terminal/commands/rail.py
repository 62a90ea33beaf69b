"""`labbench rail`: is the load behind a rail alive, may the repaired board have its first power."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from labbench.fronts.terminal.exits import INPUT, OK, UNDECIDED, UNFIT, speaking, worst
from labbench.fronts.terminal.options import bench_option, data_option, json_option, where_data

if TYPE_CHECKING:
    from labbench.jobs.first_power import FirstPowerJudgement
    from labbench.jobs.rail import LoadJudgement

_CODES = {
    "alive": OK, "dead": UNFIT, "undecided": UNDECIDED, "quiet": OK, "not-quiet": UNFIT,
}  # fmt: skip
_SIMULATED_ANSWERS = {
    "all-off": "yes", "switch-test": "yes", "first-power": "yes", "power-unchecked": "yes",
}  # fmt: skip


@click.command("rail")
@click.argument("board", metavar="BOARD", required=False)
@click.argument("rail", metavar="RAIL", required=False)
@click.option("--serial", default="this board", show_default=True, help="Which board it is.")
@click.option("--good", is_flag=True, help="This board is known to be good: others of its type are "
              "compared with it from now on.")  # fmt: skip
@click.option("--large-core", is_flag=True,
              help="A core that draws amperes: up to 3 A and 0.3 W instead of 1 A.")  # fmt: skip
@click.option("--after-fitting", is_flag=True, help="The parts are in again: the same check, and "
              "the fitted phase in place, against its neighbours.")  # fmt: skip
@click.option("--phases", type=click.IntRange(1), default=1, show_default=True,
              help="After fitting: how many phases the rail has.")  # fmt: skip
@click.option("--fitted", type=click.IntRange(1), multiple=True,
              help="After fitting: the phase that was repaired, counted from 1 [default: 1].",
              )  # fmt: skip
@click.option(
    "--coil",
    help="After fitting: the coil that went in, as it was verified "
    "[default: what the shelf says sits there].",
)
@click.option("--first-power", is_flag=True, help="Give the repaired board its first power: "
              "through 22 Ω, up to 5 V in small steps, with the rail watched.")  # fmt: skip
@click.option("--input-limit", default="100 mA", show_default=True,
              help="First power: what the input may draw at most.")  # fmt: skip
@click.option("--readings", multiple=True, type=click.Path(dir_okay=False, path_type=Path),
              help="Judge readings taken elsewhere (readings/1 with a load) instead.")  # fmt: skip
@click.option("--position", help="Where the relay switch finds it.")
@click.option("--who", help="Who measures [default: as last time, else the user logged in].")
@bench_option
@data_option
@json_option
def command(
    board: str | None,
    rail: str | None,
    serial: str,
    good: bool,
    large_core: bool,
    after_fitting: bool,
    phases: int,
    fitted: tuple[int, ...],
    coil: str | None,
    first_power: bool,
    input_limit: str,
    readings: tuple[Path, ...],
    position: str | None,
    who: str | None,
    bench: Path | None,
    data: Path | None,
    as_json: bool,
) -> None:
    """Check the load behind a RAIL of a BOARD type: alive, dead or undecided.

    At most 0.3 V, 0.1 A first and 1 A at most, plus on the rail and never the other way round, with
    the board unpowered, discharged, and the faulty stage and its coil lifted (the other phases'
    low-side switches lie parallel to the load). A board of the same type that is known to be good
    (--good) makes it sure; without one the word comes from the resistance and its exponent. The
    rail `vin` is the board's input, at 0.2 V and 0.5 A at most.

    Then --after-fitting, with the parts in: dead means do not power it. Then --first-power, with
    22 Ω into the input, 1 Ω across the rail and the controller held in reset: quiet, not-quiet or
    undecided. Isolated boards of at most 60 V DC; anything mains-connected is for a qualified
    person.

    Exit code: 0 alive or quiet, 1 dead or not quiet, 3 undecided, 2 input, 4 instrument or safety,
    130 stopped.
    """
    from labbench.errors import Problem
    from labbench.jobs.rail import judge_rail_files

    if after_fitting and first_power:
        raise click.UsageError("--after-fitting first, then --first-power: one at a time")
    if (after_fitting or first_power) and (good or readings):
        raise click.UsageError("--good and --readings belong to the check before fitting")
    codes: list[int] = []
    with speaking():
        if readings:
            for found in judge_rail_files(readings):
                if isinstance(found, Problem):
                    click.echo(str(found), err=True)
                    codes.append(INPUT)
                else:
                    codes.append(_say(found, as_json=as_json))
            sys.exit(worst(codes))
        if board is None or rail is None:
            raise click.UsageError("which BOARD and which RAIL? Or give --readings FILE")
        said = _at_the_bench(
            which="after-fitting" if after_fitting else "first-power" if first_power else "load",
            board=board, rail=rail, serial=serial, good=good, large_core=large_core,
            phases=phases, fitted=fitted, coil=coil, input_limit=input_limit, position=position,
            who=who, bench=bench, data=data,
        )  # fmt: skip
    code = _say(said, as_json=as_json)
    if not (as_json or good or after_fitting or first_power):
        _say_history(board, serial, data)
    sys.exit(code)


def _say_history(board: str, serial: str, data: Path | None) -> None:
    """Tell beside the reading how often the load of such boards survived."""
    from labbench.compose import data_folder
    from labbench.jobs.survival import survival_beside

    if line := survival_beside(data_folder(where_data(data)), board, serial):
        click.echo(f"      {line}", err=True)


def _at_the_bench(
    *, which: str, board: str, rail: str, serial: str, good: bool, large_core: bool, phases: int,
    fitted: tuple[int, ...], coil: str | None, input_limit: str, position: str | None,
    who: str | None, bench: Path | None, data: Path | None,
) -> LoadJudgement | FirstPowerJudgement:  # fmt: skip
    """Open the bench and do what was asked for."""
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.jobs.after_fitting import after_fitting
    from labbench.jobs.first_power import first_power_of_board
    from labbench.jobs.rail import RailRequest, rail_check
    from labbench.jobs.run import StopFlag
    from labbench.jobs.shelf_parts import coil_on_board
    from labbench.quantities import parse_quantity

    folder = data_folder(where_data(data))
    if which == "after-fitting" and coil is None:
        coil = coil_on_board(folder, board=board, serial=serial, rail=rail, phases=fitted or (1,))
    file = load_bench(bench, folder)
    interactive = sys.stdin.isatty()
    answers = _SIMULATED_ANSWERS if not interactive and file.simulation is not None else {}
    person = TerminalPerson(interactive=interactive, answers=answers)
    request = RailRequest(
        board=board, rail=rail, serial=serial, good=good, large_core=large_core,
        phases=phases, fitted=fitted or (1,), coil=coil,
        most_input_a=parse_quantity(input_limit, "A"),
        who=who or folder.read_last_used().operator or getpass.getuser(),
        position=position if file.instruments.switch else None,
    )  # fmt: skip
    stop = StopFlag()
    with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
        if which == "after-fitting":
            return after_fitting(opened, request, operator=person, data=folder, stop=stop)
        if which == "first-power":
            return first_power_of_board(opened, request, operator=person, data=folder, stop=stop)
        return rail_check(opened, request, operator=person, data=folder, stop=stop)


def _say(found: LoadJudgement | FirstPowerJudgement, *, as_json: bool) -> int:
    """Print one judgement and return its exit code."""
    from labbench.jobs.first_power import FirstPowerJudgement
    from labbench.reports.load_json import first_power_to_json, load_to_json

    if as_json:
        one = (
            first_power_to_json(found)
            if isinstance(found, FirstPowerJudgement)
            else load_to_json(found)
        )
        click.echo(json.dumps(one, ensure_ascii=False, allow_nan=False))
        return _CODES[found.word]
    click.echo(f"{found.specimen}  {found.word.upper().replace('-', ' ')}  {found.because}")
    if isinstance(found, FirstPowerJudgement):
        click.echo(f"      next: {found.next_action}", err=True)
        return _CODES[found.word]
    if found.word == "dead":
        after = found.when == "after-fitting"
        text = "do not power it" if after else "the load looks dead: do not spend parts on it"
        click.echo(f"      {text}", err=True)
    for would in found.would_decide:
        click.echo(f"      would decide: {would.text}", err=True)
    for remark in found.remarks:
        click.echo(f"      note: {remark}", err=True)
    return _CODES[found.word]
