"""`labbench shelf reserve`, `fit`, `outcome`, `return` and `scrap`: keep where parts went."""

from __future__ import annotations

__all__ = [
    "fit_command",
    "outcome_command",
    "reserve_command",
    "return_command",
    "scrap_command",
]

import getpass
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data

if TYPE_CHECKING:
    from labbench.jobs.shelf import ShelfDone

F = TypeVar("F", bound=Callable[..., Any])


def _who(function: F) -> F:
    return click.option(
        "--who", default=getpass.getuser, show_default="the user logged in", help="Who does it."
    )(function)


def _anyway(function: F) -> F:
    function = click.option("--why", help="The reason, kept for ever; --anyway needs one.")(
        function
    )
    function = click.option(
        "--anyway", is_flag=True, help="Overrule a refusal; who and why are kept."
    )(function)
    return click.option(
        "--plausible", is_flag=True, help="Take a plausible part; it stays labelled so."
    )(function)


@click.command("reserve")
@click.argument("specimen", metavar="ID")
@click.option("--for", "for_", metavar="JOB|BOARD", required=True, help="What it is set aside for: "
              "a customer's job, a type of board, or a board with its serial number.")  # fmt: skip
@_anyway
@_who
@data_option
@json_option
def reserve_command(
    specimen: str, for_: str, plausible: bool, anyway: bool, why: str | None, who: str,
    data: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Set a fit part aside for a job or a board.

    Refused, with what to do instead, when it is not fit, not at hand, or reserved already.
    """
    from labbench.compose import data_folder
    from labbench.jobs.shelf import reserve

    with speaking():
        done = reserve(
            data_folder(where_data(data)), specimen, reserved_for=for_, who=who,
            plausible=plausible, anyway=anyway, why=why,
        )  # fmt: skip
        _say(done, as_json=as_json)


@click.command("fit")
@click.argument("specimen", metavar="ID")
@click.option("--board", required=True, help="The type of the board.")
@click.option("--serial", required=True, help="Its serial number.")
@click.option("--rail", required=True, help="The rail that the part feeds.")
@click.option("--phase", help="The phase of the rail, where there are several.")
@click.option("--designator", help="What is printed beside it, such as L12; tells two parts of one "
              "type in a phase apart.")  # fmt: skip
@click.option("--job", help="The customer's job, where the part was reserved for one.")
@_anyway
@_who
@data_option
@json_option
def fit_command(
    specimen: str, board: str, serial: str, rail: str, phase: str | None, designator: str | None,
    job: str | None, plausible: bool, anyway: bool, why: str | None, who: str,
    data: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Record where a part was soldered in.

    Refused for a part that is not fit or was scrapped, is reserved for something else, or came off
    a board and was not verified since; and where the place holds another part.
    """
    from labbench.compose import data_folder
    from labbench.jobs.shelf import BoardPlace, fit

    with speaking():
        place = BoardPlace(
            board=board, serial=serial, rail=rail, phase=phase, designator=designator
        )
        done = fit(
            data_folder(where_data(data)), specimen, place, who=who, job=job,
            plausible=plausible, anyway=anyway, why=why,
        )  # fmt: skip
        _say(done, as_json=as_json)
        if not as_json:
            click.echo(
                f"  next: labbench rail {board} {rail} --serial {serial}, then "
                f"labbench shelf outcome {board} --serial {serial} works",
                err=True,
            )


@click.command("outcome")
@click.argument("board")
@click.argument("outcome", type=click.Choice(["works", "load-dead", "came-back"]))
@click.option("--serial", required=True, help="The board's serial number.")
@click.option("--note", help="What else is worth knowing.")
@_who
@data_option
@json_option
def outcome_command(
    board: str, outcome: Any, serial: str, note: str | None, who: str, data: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Record what became of a board.

    It works, its load was dead, or it came back. It counts for every part of yours that sits on
    that board, and for how often the load survives on this type of board. Record it too for a board
    that got no part because its load was dead.
    """
    from labbench.compose import data_folder
    from labbench.jobs.shelf import BoardPlace, board_outcome

    with speaking():
        place = BoardPlace(board=board, serial=serial)
        done = board_outcome(data_folder(where_data(data)), place, outcome, who=who, note=note)
        _say(done, as_json=as_json)


@click.command("return")
@click.argument("specimen", metavar="ID")
@click.option("--why", help="The reason, kept for ever.")
@_who
@data_option
@json_option
def return_command(
    specimen: str, why: str | None, who: str, data: Path | None, as_json: bool
) -> None:
    """Take a part back to the shelf.

    That is, give a reserved part free, or take back one that was lifted off a board again. One that
    was fitted has to be verified anew before it is offered.
    """
    from labbench.compose import data_folder
    from labbench.jobs.shelf import return_part

    with speaking():
        done = return_part(data_folder(where_data(data)), specimen, who=who, why=why)
        _say(done, as_json=as_json)


@click.command("scrap")
@click.argument("specimen", metavar="ID")
@click.option("--why", required=True, help="The reason, kept for ever.")
@_who
@data_option
@json_option
def scrap_command(specimen: str, why: str, who: str, data: Path | None, as_json: bool) -> None:
    """Bin a part for good: it is never offered again."""
    from labbench.compose import data_folder
    from labbench.jobs.shelf import scrap

    with speaking():
        _say(scrap(data_folder(where_data(data)), specimen, who=who, why=why), as_json=as_json)


def _say(done: ShelfDone, *, as_json: bool) -> None:
    """Print what was done."""
    from labbench.reports.shelf_words import event_text

    event = done.event
    if as_json:
        place = event.place
        said = {
            "run": event.run, "utc": event.utc, "what": event.what, "who": event.who,
            "specimen": event.specimen, "why": event.why, "reserved_for": event.reserved_for,
            "board": place.board if place else None, "serial": place.serial if place else None,
            "rail": place.rail if place else None, "phase": place.phase if place else None,
            "designator": place.designator if place else None, "outcome": event.outcome,
            "anyway": event.anyway, "overruled": list(done.overruled), "parts": list(done.parts),
            "near_board": done.near_board,
        }  # fmt: skip
        click.echo(json.dumps(said, ensure_ascii=False))
        return
    subject = f"{event.specimen} " if event.specimen else ""
    click.echo(f"{subject}{event_text(event)}")
    if done.near_board is not None and event.place is not None:
        click.echo(f"      {event.place.board} is new; did you mean {done.near_board}? Then: "
                   f"labbench void {event.run} --why ...", err=True)  # fmt: skip
    for text in done.overruled:
        click.echo(f"      overruled: {text}", err=True)
    if event.what == "outcome":
        parts = ", ".join(done.parts)
        click.echo(f"      counts for {parts}" if parts else
                   "      no part of yours sits on that board", err=True)  # fmt: skip
    if event.what == "returned" and done.life is not None and done.life.lifted_utc == event.utc:
        click.echo(f"  next: labbench verify TYPE --specimen {event.specimen}: it was heated twice "
                   "and has worked in between", err=True)  # fmt: skip
