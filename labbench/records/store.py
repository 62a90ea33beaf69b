"""Search what the journals hold: a SQLite (or PostgreSQL) database filled from them.

The journal is the truth; the store may be deleted at any time and is rebuilt. Ingesting a journal
twice changes nothing. A store that is lost or locked never stops a measurement: the journal waits.
"""

from __future__ import annotations

__all__ = ["BUSY_TIMEOUT_MS", "RunRow", "Store"]

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from attrs import frozen
from sqlalchemy import Connection, Engine, Table, create_engine, event, select
from sqlalchemy.engine import URL
from sqlalchemy.exc import SQLAlchemyError

from labbench.errors import InputError
from labbench.records.journal import JournalFile, read_journal
from labbench.records.part_life import BoardPlace, ShelfEvent
from labbench.records.store_tables import (
    amendments,
    characteristics,
    findings,
    metadata,
    runs,
    shelf_events,
)

BUSY_TIMEOUT_MS = 5000


@frozen
class RunRow:
    """Hold one run as the store knows it; `void` says who struck it and why."""

    run: str
    job: str
    journal: str
    opened_utc: str
    status: str | None
    reason: str | None
    bench: str | None
    who: str | None
    specimen: str | None
    type: str | None
    donor: str | None
    lot: str | None
    customer_job: str | None
    simulated: bool
    disposition: str | None
    measured: Mapping[str, Any] | None
    judged: Mapping[str, Any] | None
    void: Mapping[str, str] | None


class Store:
    """Open the store at `path`, making it and its tables when they are missing.

    Raises InputError where the file is no database of ours.
    """

    def __init__(self, path: Path | str) -> None:
        url: URL | str
        if isinstance(path, Path):
            path.parent.mkdir(parents=True, exist_ok=True)
            url = URL.create("sqlite", database=str(path))
        else:
            url = path
        self._engine: Engine = create_engine(url)
        self.where = str(path)
        #: journals that could not be read when they were last looked at, and why
        self.unreadable: list[InputError] = []
        self._held: Connection | None = None
        if self._engine.dialect.name == "sqlite":
            event.listen(self._engine, "connect", _prepare_sqlite)
            event.listen(self._engine, "begin", _begin_immediate)
        try:
            metadata.create_all(self._engine)
        except SQLAlchemyError as error:
            self._engine.dispose()
            raise InputError(
                f"the store {path} cannot be opened: {_short(error)}",
                hint="move the file away and run `labbench history --rebuild`: "
                "the journals hold everything",
            ) from error

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Keep every other writer out until the end of the block: look, decide, then write.

        Without it two people could set the same part aside at the same moment.
        """
        with self._begin() as connection:
            self._held = connection
            try:
                yield
            finally:
                self._held = None

    @contextmanager
    def _begin(self) -> Iterator[Connection]:
        if self._held is not None:
            yield self._held
            return
        try:
            with self._engine.begin() as connection:
                yield connection
        except SQLAlchemyError as error:
            raise InputError(
                f"the store {self.where} did not answer: {_short(error)}",
                hint="nothing is lost: the journals hold everything",
            ) from error

    def ingest(self, path: Path) -> str:
        """Read a journal into the store and return the id of its run; idempotent."""
        journal = read_journal(path)
        with self._begin() as connection:
            return _ingest(connection, path, journal)

    def ingest_waiting(self, directory: Path) -> int:
        """Ingest every journal that the store does not hold as it stands; return how many.

        A run that was never closed is read again each time: it may still be under way. One that
        cannot be read is passed over, so that it does not hide the others, and stands in
        `unreadable`.
        """
        self.unreadable = []
        with self._begin() as connection:
            settled = set(
                connection.execute(select(runs.c.run).where(runs.c.status.is_not(None))).scalars()
            )
            settled |= set(connection.execute(select(amendments.c.amendment)).scalars())
        waiting = [path for path in sorted(directory.glob("*.jsonl")) if path.stem not in settled]
        for path in waiting:
            try:
                journal = read_journal(path)
            except InputError as error:
                self.unreadable.append(error)
                continue
            if journal.events:
                with self._begin() as connection:
                    _ingest(connection, path, journal)
        return len(waiting) - len(self.unreadable)

    def rebuild(self, directory: Path) -> int:
        """Empty the store and fill it from all journals of a folder; return how many there were."""
        with self._begin() as connection:
            for table in reversed(metadata.sorted_tables):
                connection.execute(table.delete())
        return self.ingest_waiting(directory)

    def search(
        self,
        *,
        specimen: str | None = None,
        type: str | None = None,
        donor: str | None = None,
        lot: str | None = None,
        disposition: str | None = None,
        job: str | None = None,
        run: str | None = None,
        with_void: bool = True,
        limit: int | None = None,
    ) -> list[RunRow]:
        """Find runs, latest first."""
        wanted = {
            runs.c.specimen: specimen, runs.c.type: type, runs.c.donor: donor, runs.c.lot: lot,
            runs.c.disposition: disposition, runs.c.job: job, runs.c.run: run,
        }  # fmt: skip
        query = select(runs).order_by(runs.c.opened_utc.desc(), runs.c.run.desc())
        for column, value in wanted.items():
            if value is not None:
                query = query.where(column == value)
        with self._begin() as connection:
            found = connection.execute(query).mappings().all()
            struck = {
                row["run"]: dict(row)
                for row in connection.execute(select(amendments)).mappings()
                if row["what"] == "void"
            }
        rows = [_row(row, struck.get(row["run"])) for row in found]
        if not with_void:
            rows = [row for row in rows if row.void is None]
        return rows[:limit]

    def shelf(self) -> list[ShelfEvent]:
        """Return what was done with parts after their verdicts, oldest first, without what is void.

        `labbench.records.part_life` says what it makes of them.
        """
        struck = select(amendments.c.run).where(amendments.c.what == "void")
        query = (
            select(shelf_events)
            .where(shelf_events.c.run.not_in(struck))
            .order_by(shelf_events.c.utc, shelf_events.c.run)
        )
        with self._begin() as connection:
            found = connection.execute(query).mappings().all()
        return [_shelf_event(row) for row in found]

    def next_specimen(self, prefix: str = "D") -> str:
        """Return the first free automatic number, such as `D12`."""
        with self._begin() as connection:
            names = connection.execute(select(runs.c.specimen).distinct()).scalars().all()
        used = [int(name[len(prefix):]) for name in names
                if name and name.startswith(prefix) and name[len(prefix):].isdigit()]  # fmt: skip
        return f"{prefix}{max(used, default=0) + 1}"


def _prepare_sqlite(connection: Any, _record: object) -> None:
    # SQLAlchemy, not the driver, begins transactions; else BEGIN IMMEDIATE would come second.
    connection.isolation_level = None
    cursor = connection.cursor()
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        f"busy_timeout={BUSY_TIMEOUT_MS}",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin_immediate(connection: Connection) -> None:
    # A deferred transaction that turns into a writer fails at once when another one writes.
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _short(error: SQLAlchemyError) -> str:
    return str(getattr(error, "orig", None) or error).splitlines()[0]


def _row(row: Mapping[Any, Any], struck: Mapping[str, Any] | None) -> RunRow:
    data = dict(row)
    for key in ("measured", "judged"):
        data[key] = json.loads(data[key]) if data[key] else None
    void = {key: struck[key] for key in ("who", "why", "utc")} if struck else None
    return RunRow(**data, void=void)


def _ingest(connection: Connection, path: Path, journal: JournalFile) -> str:
    run = path.stem
    by_kind: dict[str, list[Mapping[str, Any]]] = {}
    for entry in journal.events:
        by_kind.setdefault(entry.kind, []).append(entry.data)
    for entry in journal.events:
        if entry.kind == "amended":
            connection.execute(amendments.delete().where(amendments.c.amendment == run))
            connection.execute(
                amendments.insert().values(
                    amendment=run, run=entry.data["run"], utc=entry.utc,
                    what=entry.data["what"], who=entry.data["who"], why=entry.data["why"],
                )
            )  # fmt: skip
    opened = _last(by_kind, "opened")
    if not opened or "amended" in by_kind:
        return run
    closed = _last(by_kind, "closed")
    measured = _last(by_kind, "measured")
    judged = _last(by_kind, "judged")
    connection.execute(runs.delete().where(runs.c.run == run))
    connection.execute(
        runs.insert().values(
            run=run,
            job=opened.get("job", "run"),
            journal=str(path),
            opened_utc=journal.events[0].utc,
            status=closed.get("status"),
            reason=closed.get("reason"),
            bench=opened.get("bench"),
            who=opened.get("who"),
            specimen=opened.get("specimen"),
            type=opened.get("type"),
            donor=opened.get("donor"),
            lot=opened.get("lot"),
            customer_job=opened.get("customer_job"),
            simulated=bool(opened.get("simulated", False)),
            disposition=judged.get("disposition"),
            measured=json.dumps(measured["readings"]) if "readings" in measured else None,
            judged=json.dumps(judged) if judged else None,
        )
    )
    _insert_many(connection, characteristics, run, judged.get("characteristics", ()))
    _insert_many(connection, findings, run, judged.get("findings", ()))
    for entry in journal.of_kind("shelf")[-1:]:  # such a journal holds one event
        place = entry.data.get("place") or {}
        told = {**entry.data, **place, "run": run, "utc": entry.utc}
        names = [column.name for column in shelf_events.columns]
        connection.execute(
            shelf_events.insert().values({name: told[name] for name in names if name in told})
        )
    return run


def _shelf_event(row: Mapping[Any, Any]) -> ShelfEvent:
    keys = ("board", "serial", "rail", "phase", "designator")
    place = {key: row[key] for key in keys}
    rest = {key: value for key, value in row.items() if key not in keys}
    return ShelfEvent(**rest, place=BoardPlace(**place) if place["board"] else None)


def _last(by_kind: Mapping[str, Sequence[Mapping[str, Any]]], kind: str) -> Mapping[str, Any]:
    return by_kind[kind][-1] if kind in by_kind else {}


def _insert_many(
    connection: Connection, table: Table, run: str, entries: Sequence[Mapping[str, Any]]
) -> None:
    names = [column.name for column in table.columns if column.name not in ("run", "number")]
    rows = [
        {"run": run, "number": number, **{name: entry.get(name) for name in names}}
        for number, entry in enumerate(entries)
    ]
    if rows:
        connection.execute(table.insert(), rows)
