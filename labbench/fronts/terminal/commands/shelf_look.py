"""`labbench shelf list` and `labbench shelf survival`: look without changing anything."""

from __future__ import annotations

__all__ = ["list_command", "part_json", "survival_command"]

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from labbench.fronts.terminal.exits import say_error, speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data

if TYPE_CHECKING:
    from labbench.jobs.shelf_parts import ShelfPart


@click.command("list")
@click.argument("type_", metavar="[TYPE]", required=False)
@click.option("--plausible", is_flag=True, help="Plausible parts too, labelled so.")
@click.option("--all", "all_", is_flag=True, help="Every part that was ever verified: unfit, "
              "undecided, fitted and scrapped ones too.")  # fmt: skip
@data_option
@json_option
def list_command(
    type_: str | None, plausible: bool, all_: bool, data: Path | None, as_json: bool
) -> None:
    """List the fit parts at hand.

    TYPE is a part type. A line has the specimen, its word, type, DC resistance or on-resistance
    with its U95 in percent, where it came from, and the day of its verdict. A part that was lifted
    off a board again is listed once it was verified anew.
    """
    from labbench.compose import data_folder
    from labbench.jobs.shelf_parts import shelf_parts
    from labbench.reports.shelf_words import life_text, shelf_lines

    words = {"fit", "plausible"} if plausible else {"fit"}
    with speaking():
        folder = data_folder(where_data(data))
        every = shelf_parts(folder, type=type_, warn=say_error)
        shown = [
            part for part in every
            if all_ or (part.is_at_hand and part.disposition in words
                        and not part.is_check_standard)
        ]  # fmt: skip
        mixed = len({part.run.simulated for part in shown}) > 1
        for part in shown:
            if as_json:
                click.echo(json.dumps(part_json(part), ensure_ascii=False, allow_nan=False))
                continue
            notes = [text for text in (life_text(part.life, is_verified_anew=part.stands),) if text]
            if part.is_check_standard:
                notes.append("check standard: kept at the bench, never fitted")
            if part.run.simulated and mixed:
                notes.append("simulated: no real part was measured")
            for line in shelf_lines(
                specimen=part.specimen, word=part.disposition, type_name=part.type,
                characteristics=part.characteristics, origin=part.run.donor or part.run.lot or "",
                verified_utc=part.run.opened_utc, notes=notes,
            ):  # fmt: skip
                click.echo(line)
        if not shown and not as_json:
            of_type = f" of type {type_}" if type_ else ""
            click.echo(f"no fit part{of_type} at hand in {folder.root}")
            if type_ and not every:
                known = sorted({part.type for part in shelf_parts(folder)})
                click.echo(f"  types on the shelf: {', '.join(known) or 'none'}", err=True)
        if shown and not mixed and shown[0].run.simulated:
            click.echo("simulated bench: no real part was measured", err=True)
        if len(every) > len(shown):
            rest = len(every) - len(shown)
            click.echo(f"{rest} more with --all: other words, fitted, scrapped", err=True)


@click.command("survival")
@click.argument("board", metavar="[BOARD]", required=False)
@data_option
@json_option
def survival_command(board: str | None, data: Path | None, as_json: bool) -> None:
    """Tell how often a load survives.

    That is, when the power stage burns, from your own records. BOARD is a type of board; without
    one every type is listed. Each board counts once: by its first outcome, else by the checks of
    its rails. Few boards of a type lean on the other types; the interval (95 %) says how much that
    leaves open.
    """
    from labbench.compose import data_folder
    from labbench.jobs.survival import survival
    from labbench.reports.shelf_words import survival_text

    with speaking():
        folder = data_folder(where_data(data))
        found = survival(folder, board)
        for each in found:
            if as_json:
                said = {
                    "board": each.board, "mean": each.mean, "lower": each.lower,
                    "upper": each.upper, "coverage": 0.95, "own_alive": each.own_alive,
                    "own_boards": each.own_boards, "all_boards": each.all_boards,
                }  # fmt: skip
                click.echo(json.dumps(said, ensure_ascii=False, allow_nan=False))
            elif each.all_boards == 0:
                click.echo(f"{each.board}: nothing is known yet")
            else:
                click.echo(survival_text(each))
        if not found and not as_json:
            click.echo(f"nothing is known yet in {folder.root}")
        if not any(each.all_boards for each in found):
            click.echo(
                "  next: labbench shelf outcome BOARD --serial N works|load-dead|came-back",
                err=True,
            )


def part_json(part: ShelfPart) -> dict[str, Any]:
    """Give a part on the shelf as JSON-able data."""
    life, place = part.life, part.life.place
    return {
        "specimen": part.specimen, "type": part.type, "disposition": part.disposition,
        "state": life.state, "stands": part.stands, "verified_utc": part.run.opened_utc,
        "run": part.run.run, "donor": part.run.donor, "lot": part.run.lot,
        "reserved_for": life.reserved_for,
        "fitted": None if place is None or life.state != "fitted" else {
            "board": place.board, "serial": place.serial, "rail": place.rail,
            "phase": place.phase, "designator": place.designator,
        },
        "outcome": life.outcomes[-1].outcome if life.outcomes else None,
        "check_standard": part.is_check_standard, "simulated": part.run.simulated,
        "characteristics": [
            {key: entry[key] for key in ("name", "conditions", "value", "unit",
                                         "expanded_uncertainty", "coverage")}
            for entry in part.characteristics
        ],
    }  # fmt: skip
