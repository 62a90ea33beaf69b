"""Fixtures of the driver tests."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
import pyvisa
from attrs import evolve

from drivers.dialect import Dialect, Quirk
from drivers.dialect_roles import SwitchDialect, load_dialect
from drivers.exchange_log import ExchangeLog
from drivers.session import Session
from drivers.transport import make_transport


@pytest.fixture(scope="session")
def plain() -> Dialect:
    """Give a dialect with short waits for sessions that speak to the peers of these tests."""
    dialect = load_dialect("switch-scpi99", SwitchDialect).dialect
    return evolve(
        dialect,
        timing=evolve(dialect.timing, open=1.0, reply=0.15, reopen=0.6),
        error_queue=evolve(dialect.error_queue, longest=5, deadline=0.5),
    )


@pytest.fixture
def bare() -> Iterator[Callable[..., Any]]:
    """Open resources with pyvisa alone, as most programs do."""
    with ExitStack() as undo:

        def open_bare(address: str, **settings: Any) -> Any:
            resource = pyvisa.ResourceManager("@py").open_resource(address, **settings)
            undo.callback(resource.close)
            return resource

        yield open_bare


SessionOpener = Callable[..., Session]


@pytest.fixture
def open_session(plain: Dialect) -> Iterator[SessionOpener]:
    """Open sessions to peers; closes them at the end."""
    with ExitStack() as undo:

        def opener(
            address: str,
            *,
            quirks: tuple[Quirk, ...] = (),
            expected_identity: str | None = None,
            log: Path | None = None,
            connect: bool = True,
            **link: Any,
        ) -> Session:
            dialect = evolve(plain, link=evolve(plain.link, quirks=quirks, **link))
            written = ExchangeLog(log, "peer") if log is not None else None
            if written is not None:
                undo.callback(written.close)
            session = Session(make_transport(address), dialect, name="test peer", log=written)
            undo.callback(session.close)
            if connect:
                session.open(expected_identity)
            return session

        yield opener
