"""`labbench rail`: is the load behind a rail alive, before a part is spent on it."""

from __future__ import annotations

__all__ = ["command"]

import getpass
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labbench.fronts.terminal.exits import INPUT, OK, UNDECIDED, UNFIT, speaking, worst
from labbench.fronts.terminal.options import bench_option, data_option, json_option, where_data

if TYPE_CHECKING:
    from labbench.jobs.rail import LoadJudgement

_CODES = {"alive": OK, "dead": UNFIT, "undecided": UNDECIDED}


@click.command("rail")
@click.argument("board", metavar="BOARD", required=False)
@click.argument("rail", metavar="RAIL", required=False)
@click.option("--serial", default="this board", show_default=True, help="Which board it is.")
@click.option("--good", is_flag=True, help="This board is known to be good: others of its type are "
              "compared with it from now on.")  # fmt: skip
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
    (--good) makes it sure; without one the word comes from the resistance and its exponent.

    Exit code: 0 alive, 1 dead, 3 undecided, 2 input, 4 instrument or safety, 130 stopped.
    """
    from labbench.compose import data_folder, load_bench, open_bench
    from labbench.errors import Problem
    from labbench.fronts.terminal.person import TerminalPerson
    from labbench.jobs.rail import RailRequest, judge_rail_files, rail_check
    from labbench.jobs.run import StopFlag

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
        folder = data_folder(where_data(data))
        file = load_bench(bench, folder)
        interactive = sys.stdin.isatty()
        answers = {}
        if not interactive and file.simulation is not None:
            answers = {"all-off": "yes", "switch-test": "yes"}
        person = TerminalPerson(interactive=interactive, answers=answers)
        request = RailRequest(
            board=board, rail=rail, serial=serial, good=good,
            who=who or folder.read_last_used().operator or getpass.getuser(),
            position=position if file.instruments.switch else None,
        )  # fmt: skip
        stop = StopFlag()
        with stop.catching_interrupts(), open_bench(file, folder, operator=person) as opened:
            said = rail_check(opened, request, operator=person, data=folder, stop=stop)
    sys.exit(_say(said, as_json=as_json))


def _say(found: LoadJudgement, *, as_json: bool) -> int:
    """Print one judgement and return its exit code."""
    if as_json:
        click.echo(json.dumps(_plain(found), ensure_ascii=False, allow_nan=False))
    else:
        click.echo(f"{found.specimen}  {found.word.upper()}  {found.because}")
        if found.word == "dead":
            click.echo("      the load looks dead: do not spend parts on it", err=True)
        for would in found.would_decide:
            click.echo(f"      would decide: {would.text}", err=True)
        for remark in found.remarks:
            click.echo(f"      note: {remark}", err=True)
    return _CODES[found.word]


def _plain(found: LoadJudgement) -> dict[str, Any]:
    numbers = {
        name: None if estimate is None else {"value": estimate.value, "u": estimate.u}
        for name, estimate in (
            ("resistance_ohm", found.resistance), ("exponent", found.exponent),
            ("ratio", found.ratio),
        )
    }  # fmt: skip
    return {
        "specimen": found.specimen, "board": found.board, "rail": found.rail, "word": found.word,
        "because": found.because, **numbers,
        "would_decide": [{"action": w.action, "text": w.text} for w in found.would_decide],
        "remarks": list(found.remarks),
    }  # fmt: skip
