"""`labbench shelf match`: the verified part that shares current best with its neighbours."""

from __future__ import annotations

__all__ = ["match_command"]

import json
import sys
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import OK, UNDECIDED, speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data


@click.command("match")
@click.option("--from", "verdicts", multiple=True, metavar="VERDICTS",
              type=click.Path(path_type=str, allow_dash=True),
              help="Choose from these verdicts (verdict/1 lines, `-` for standard input) "
              "instead of from the shelf; may be repeated.")  # fmt: skip
@click.option("--rail", "rail", metavar="FILE|BOARD/RAIL", help="What stays on the rail: a rail "
              "file (TOML), readings/1 or verdict/1 lines of the neighbours, or a type of board "
              "and its rail, for the parts of yours that sit there.")  # fmt: skip
@click.option("--serial", help="The board's serial number, with BOARD/RAIL.")
@click.option("--neighbour", "neighbours", multiple=True, metavar="ID",
              help="A verified part that sits on the rail; may be repeated.")  # fmt: skip
@click.option("--type", "type_", metavar="TYPE", help="Only this part type "
              "[default: that of the neighbours].")  # fmt: skip
@click.option("--sensing", type=click.Choice(["dcr", "rds", "none"]), help="What the controller "
              "equalises: voltage across the coils, current reported by on-resistance, or nothing "
              "[default: dcr, or what the rail file says].")  # fmt: skip
@click.option("--current", type=click.FloatRange(0, min_open=True), metavar="AMPERES",
              help="Of the whole rail; shows the current of each phase.")  # fmt: skip
@click.option("--for", "for_", metavar="JOB|BOARD", help="Parts reserved for it may be chosen.")
@click.option("--plausible", is_flag=True, help="Plausible parts too, labelled so.")
@data_option
@json_option
def match_command(
    verdicts: tuple[str, ...], rail: str | None, serial: str | None, neighbours: tuple[str, ...],
    type_: str | None, sensing: Any, current: float | None, for_: str | None, plausible: bool,
    data: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Rank parts at hand by how they share current.

    Compared are verified parts and the phases that stay on a rail. Each line has the part's
    resistance with its U95, the error of its share of the current with its U95, and the phase that
    is worst off. Unfit and undecided parts are never offered. A resistance known to no better than
    1 % is too coarse to choose by, and that is said.

    Exit code: 0 a part to take, 3 none that can be chosen, 2 input.
    """
    from attrs import fields

    from labbench.compose import data_folder
    from labbench.jobs.match import MatchReport, MatchRequest, match_parts
    from labbench.reports.match_words import match_json, match_lines

    with speaking():
        if neighbours and rail:
            raise click.UsageError("--rail and --neighbour both say what stays: give one of them")
        file, board, name = _what_stays(rail)
        found = match_parts(
            MatchRequest(
                verdicts=verdicts, rail_file=file, neighbours=neighbours, board=board, rail=name,
                serial=serial, type=type_, sensing=sensing, current_a=current,
                plausible=plausible, reserved_for=for_,
            ),
            data_folder(where_data(data)),
        )  # fmt: skip
        told: dict[str, Any] = {f.name: getattr(found, f.name) for f in fields(MatchReport)}
        if as_json:
            click.echo(json.dumps(match_json(**told), ensure_ascii=False, allow_nan=False))
        else:
            for line in match_lines(**told):
                click.echo(line)
    sys.exit(OK if found.take is not None else UNDECIDED)


def _what_stays(rail: str | None) -> tuple[Path | None, str | None, str | None]:
    """Tell a file from BOARD/RAIL: a file exists, or ends as one does."""
    if rail is None:
        return None, None, None
    path = Path(rail)
    if path.suffix in (".toml", ".jsonl", ".json") or path.is_file():
        return path, None, None
    board, slash, name = rail.partition("/")
    if not (slash and board and name):
        raise click.UsageError(
            f"--rail {rail!r} is no file; BOARD/RAIL looks like radar-supply/core"
        )
    return None, board, name
