"""Servers of every kind of link, clients by VISA and byte by byte, closed in the end."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import cast

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from sim.link_faults import FaultSchedule
from sim.links.base import LinkServer
from sim.links.serve import serve
from tests.sim.links.clients import Fault, HislipClient, Instrument, open_descriptors, until

Serving = Callable[..., LinkServer]
Opening = Callable[..., MessageBasedResource]


@pytest.fixture
def instrument() -> Iterator[Instrument]:
    found = Instrument()
    yield found
    found.go_on.set()


@pytest.fixture
def serving(instrument: Instrument) -> Iterator[Serving]:
    """Give a function that serves the instrument by a kind of link, with faults."""
    servers: list[LinkServer] = []

    def start(kind: str, *faults: Fault) -> LinkServer:
        server = serve(kind, instrument.interpreter, faults=FaultSchedule(faults))
        servers.append(server)
        return server

    yield start
    instrument.go_on.set()
    for server in servers:
        server.close()


@pytest.fixture(scope="session")
def manager() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@pytest.fixture
def opening(manager: pyvisa.ResourceManager) -> Iterator[Opening]:
    """Give a function that opens a VISA resource; it is closed in the end."""
    sessions: list[MessageBasedResource] = []

    def start(address: str, timeout_ms: int = 5000) -> MessageBasedResource:
        session = cast(MessageBasedResource, manager.open_resource(address))
        sessions.append(session)
        session.timeout = timeout_ms
        session.read_termination = session.write_termination = "\n"
        return session

    yield start
    for session in sessions:
        session.close()


@pytest.fixture
def hislip(serving: Serving) -> Iterator[Callable[..., HislipClient]]:
    """Give a function that starts a HiSLIP server with faults, or joins one, and opens a client."""
    clients: list[HislipClient] = []

    def start(*faults: Fault, server: LinkServer | None = None) -> HislipClient:
        client = HislipClient(server or serving("hislip", *faults))
        clients.append(client)
        return client

    yield start
    for client in clients:
        client.close()


@pytest.fixture
def nothing_left() -> Iterator[None]:
    """Fail where a test leaves a thread or a descriptor behind; put it first in the arguments."""
    threads, descriptors = set(threading.enumerate()), open_descriptors()
    yield
    until(lambda: set(threading.enumerate()) <= threads)
    assert open_descriptors() <= descriptors
