"""`labbench history`: search what was measured."""

from __future__ import annotations

__all__ = ["command"]

import json
from pathlib import Path
from typing import Any

import click

from labbench.fronts.terminal.exits import say_error, speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data


@click.command("history")
@click.argument("what", required=False)
@click.option("--type", "type_", help="Only this part type.")
@click.option("--donor", help="Only parts from this donor board.")
@click.option("--lot", help="Only this lot.")
@click.option(
    "--disposition", type=click.Choice(["fit", "unfit", "undecided", "plausible"]),
    help="Only these.",
)  # fmt: skip
@click.option("--limit", type=click.IntRange(min=1), default=30, show_default=True,
              help="At most so many, the latest.")  # fmt: skip
@click.option("--csv", "csv_file", type=click.Path(dir_okay=False, path_type=Path),
              help="Write the runs found to a CSV file as well.")  # fmt: skip
@click.option("--rebuild", is_flag=True, help="Fill the store anew from the journals first.")
@data_option
@json_option
def command(
    what: str | None,
    type_: str | None,
    donor: str | None,
    lot: str | None,
    disposition: str | None,
    limit: int,
    csv_file: Path | None,
    rebuild: bool,
    data: Path | None,
    as_json: bool,
) -> None:
    """List runs, latest first; WHAT is a specimen. Struck runs stay in the list, marked.

    Among them stands what was done with a part on the shelf: reserved, fitted, returned, scrapped.
    """
    from labbench.compose import data_folder
    from labbench.jobs import look_up

    with speaking():
        folder = data_folder(where_data(data))
        if rebuild:
            click.echo(f"{look_up.rebuild(folder)} journals read anew", err=True)
        rows = look_up.history(
            folder, specimen=what, type=type_, donor=donor, lot=lot,
            disposition=disposition, limit=limit, warn=say_error,
        )  # fmt: skip
        if csv_file is not None:
            _write_csv(rows, csv_file)
            runs = "1 run" if len(rows) == 1 else f"{len(rows)} runs"
            click.echo(f"{runs} written to {csv_file}", err=True)
        if as_json:
            for row in rows:
                click.echo(json.dumps(_plain(row), ensure_ascii=False))
            return
        if not rows:
            click.echo(f"nothing found in {folder.root}")
        shelf = look_up.shelf_texts(folder) if any(row.job == "shelf" for row in rows) else {}
        for row in rows:
            if row.void:
                word = "void"
            else:
                word = _word(row) or row.status or "unfinished"
            if row.run in shelf:
                word = "shelf" if row.specimen else "outcome"
            origin = " ".join(part for part in (row.donor, row.lot) if part)
            click.echo(
                f"{row.opened_utc[:16].replace('T', ' ')}  {row.specimen or row.job:<10} "
                f"{word:<10.14} {row.type or '':<14} {origin:<18.18} {row.run}"
            )
            if row.run in shelf:
                click.echo(f"{'':18}{shelf[row.run]} ({row.who})")
            if row.void:
                click.echo(f"{'':18}struck by {row.void['who']}: {row.void['why']}")
        if what is not None and (now := look_up.where_now(folder, what)):
            click.echo(f"{what} now: {now}")


def _word(row: Any) -> str | None:
    """Give the disposition of a part, or the word on a board (alive, dead, quiet...)."""
    word = row.disposition or (row.judged or {}).get("word")
    return word if isinstance(word, str) else None


def _plain(row: Any) -> dict[str, Any]:
    names = (
        "run", "job", "opened_utc", "status", "reason", "bench", "who", "specimen", "type",
        "donor", "lot", "customer_job", "simulated", "disposition", "journal", "void",
    )  # fmt: skip
    return {name: getattr(row, name) for name in names} | {"word": _word(row)}


def _write_csv(rows: list[Any], path: Path) -> None:
    import pandas as pd

    records = []
    for row in rows:
        record = _plain(row)
        record["void"] = row.void["why"] if row.void else None
        for entry in (row.judged or {}).get("characteristics", ()):
            record[f"{entry['name']} ({entry['unit']})"] = entry["value"]
            record[f"{entry['name']} U95"] = entry["expanded_uncertainty"]
        record["findings"] = "; ".join(f["fault"] for f in (row.judged or {}).get("findings", ()))
        records.append(record)
    pd.DataFrame.from_records(records).to_csv(path, index=False)
