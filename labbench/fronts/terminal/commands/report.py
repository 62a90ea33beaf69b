"""`labbench report`: the page for a specimen."""

from __future__ import annotations

__all__ = ["command"]

from pathlib import Path

import click

from labbench.fronts.terminal.exits import speaking
from labbench.fronts.terminal.options import data_option, json_option, where_data


@click.command("report")
@click.argument("run")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path),
              help="Where to write the page [default: the data folder's reports].")  # fmt: skip
@data_option
@json_option
def command(run: str, out: Path | None, data: Path | None, as_json: bool) -> None:
    """Write the page for a run: sweep, verdict, uncertainty, record. One HTML file, works offline.

    RUN is a run's id, the beginning of one, or a specimen (its latest run).
    """
    import json

    from labbench.compose import data_folder
    from labbench.jobs.look_up import find_run, page_for

    with speaking():
        folder = data_folder(where_data(data))
        row = find_run(folder, run)
        page = page_for(row, folder)
        path = out or folder.reports / f"{row.run}.html"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page, encoding="utf-8")
        if as_json:
            click.echo(json.dumps({"run": row.run, "page": str(path)}))
        else:
            click.echo(f"{path}")
