"""A SCPI device that we did not write answers our transport, session and multimeter driver.

The peer is `scpipy` (PyPI, MIT): its framing, its parser of headers and joined messages, its
common commands, status registers and error queue. It comes without an instrument, so the routes of
a multimeter and the identity are registered here, in SCPI-99's long forms; which message reaches
which route, and what an unknown or incomplete one leads to, is scpipy's doing.
Does NOT cover channel lists, which scpipy takes for two arguments, nor its client.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from scpipy.server import Router, Server

from drivers import open_multimeter
from drivers.dialect import Dialect
from drivers.reply_shapes import shape_of
from drivers.scpi import Number
from drivers.session import Session, State
from drivers.transport import make_transport
from labbench.errors import InstrumentReportedError, ReplyTimeout, SettingNotTaken
from tests.drivers.peers import IDENTITY, quick_dialect

FUNCTIONS = {"VOLT": "VOLTage", "RES": "RESistance", "FRES": "FRESistance"}


class Instrument:
    """What the routes read and write: the settings of a multimeter with one reading."""

    def __init__(self) -> None:
        self.function = "VOLT"
        self.reading = "+1.23456789E+00"
        self.automatic = dict.fromkeys(FUNCTIONS, True)
        self.range = dict.fromkeys(FUNCTIONS, 10.0)
        self.periods = dict.fromkeys(FUNCTIONS, 10.0)
        self.started = 0

    def router(self) -> Router:
        """Give the routes; handlers get what scpipy made of the arguments."""
        router = Router()
        add = router.add_route
        add("*IDN?", lambda context: IDENTITY)
        add("TRIGger:SOURce <source>", lambda context, source: None)
        add("TRIGger:SOURce?", lambda context: "IMM")
        add("FUNCtion <name>", lambda context, name: self.configure(name.strip('"')))
        add("FUNCtion?", lambda context: f'"{self.function}"')
        add("READ?", lambda context: self.reading)
        add("INITiate[:IMMediate]", lambda context: self.start())
        add("FETCh?", lambda context: self.reading)
        for short, name in FUNCTIONS.items():
            self._add_function(router, short, name)
        return router

    def _add_function(self, router: Router, short: str, name: str) -> None:
        def set_range(context: Any, value: str) -> None:
            self.range[short], self.automatic[short] = float(value), False

        def set_automatic(context: Any, value: str) -> None:
            self.automatic[short] = value == "1"

        def set_periods(context: Any, value: str) -> None:
            self.periods[short] = float(value)

        def set_seconds(context: Any, value: str) -> None:
            self.periods[short] = float(value) * 50.0

        add = router.add_route
        add(f"CONFigure:{name}", lambda context: self.configure(short))
        add(f"{name}:RANGe <value>", set_range)
        add(f"{name}:RANGe?", lambda context: f"{self.range[short]:.6E}")
        add(f"{name}:RANGe:AUTO <value>", set_automatic)
        add(f"{name}:RANGe:AUTO?", lambda context: str(int(self.automatic[short])))
        add(f"{name}:NPLCycles <value>", set_periods)
        add(f"{name}:NPLCycles?", lambda context: f"{self.periods[short]:.6E}")
        add(f"{name}:APERture <value>", set_seconds)
        add(f"{name}:APERture?", lambda context: f"{self.periods[short] / 50.0:.6E}")

    def configure(self, short: str) -> None:
        self.function = short

    def start(self) -> None:
        self.started += 1


@contextlib.contextmanager
def foreign(instrument: Instrument, terminator: str) -> Iterator[str]:
    """Run scpipy's server in a thread and give its address."""
    loops: list[asyncio.AbstractEventLoop] = []

    @contextlib.asynccontextmanager
    async def lifespan(server: Server) -> AsyncIterator[None]:
        loops.append(asyncio.get_running_loop())
        yield

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    # one error queue for all connections, as an instrument has: ours asks on a new one
    server = Server("127.0.0.1", port, terminator, shared_context=True, lifespan=lifespan)
    server.include_router(instrument.router())
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        for _ in range(500):
            with (
                contextlib.suppress(ConnectionRefusedError),
                socket.create_connection(("127.0.0.1", port)),
            ):
                break
            time.sleep(0.01)
        yield f"TCPIP::127.0.0.1::{port}::SOCKET"
    finally:
        loops[0].call_soon_threadsafe(server.stop)
        thread.join(10)
        assert not thread.is_alive()


@pytest.fixture(params=["\n", "\r\n"], ids=["LF", "CR LF"])
def peer(request: pytest.FixtureRequest) -> Iterator[tuple[Instrument, str]]:
    instrument = Instrument()
    with foreign(instrument, request.param) as address:
        yield instrument, address


@pytest.fixture
def session(peer: tuple[Instrument, str], plain: Dialect) -> Iterator[Session]:
    opened = Session(make_transport(peer[1]), plain, name="foreign peer")
    opened.open()
    yield opened
    opened.close()


def test_its_identity_and_its_empty_error_queue_are_read(session: Session) -> None:
    assert session.identity.raw == IDENTITY
    session.check_errors()
    assert session.query("*OPC?", shape_of("boolean")).only(bool) is True
    assert session.query("SYSTem:ERRor:NEXT?", shape_of("error")).raw.startswith("0,")


def test_joined_questions_are_answered_in_one_line(session: Session) -> None:
    from drivers.dialect import Query

    number, text = Query("VOLT:NPLC?", "number"), Query("FUNC?", "string")
    replies = session.query_many([(each.send, each) for each in (number, text)])
    assert replies[0].only(Number).value == 10.0
    assert replies[1].only(str) == "VOLT"


def test_an_unknown_question_is_silent_and_its_error_queue_says_why(session: Session) -> None:
    with pytest.raises(ReplyTimeout, match=r"refused 'VOLTA\?': -1[0-9][0-9]"):
        session.query("VOLTA?", shape_of("number"))
    assert session.state is State.OUT_OF_STEP
    session.recover()
    assert session.query("VOLT:RANG?", shape_of("number")).only(Number).value == 10.0


def test_an_unknown_setting_is_reported_at_the_end_of_the_step(session: Session) -> None:
    session.send("VOLTA 1")
    session.send("CONF:VOLT 1,2,3")
    with pytest.raises(InstrumentReportedError) as told:
        session.check_errors()
    assert -199 <= told.value.code <= -100
    session.check_errors()


DIALECTS = [("multimeter-scpi99", "\n"), ("multimeter-sense-fetch", "\r\n")]


@pytest.mark.parametrize(("name", "terminator"), DIALECTS)
def test_the_multimeter_driver_does_its_whole_work(
    tmp_path: Path, name: str, terminator: str
) -> None:
    instrument = Instrument()
    with (
        foreign(instrument, terminator) as address,
        open_multimeter(address, quick_dialect(tmp_path, name), lock_directory=tmp_path) as meter,
    ):
        conditions = meter.set_dc_voltage(range_v=0.5, integration_periods=10)
        assert conditions.range == 1.0
        assert conditions.integration_periods == pytest.approx(10)
        reading = meter.read()
        assert (reading.value, reading.raw) == (1.23456789, "+1.23456789E+00")
        instrument.reading = "-9.9E37"
        assert meter.read().status == "over-range"
        instrument.reading = "+2.5E+02"
        meter.set_resistance(range_ohm=None, integration_periods=1, four_wire=True)
        assert instrument.function == "FRES"
        assert meter.read().value == 250.0
        meter.recover()
        assert meter.identify().raw == IDENTITY
        # somebody turns a knob
        instrument.automatic["FRES"] = False
        with pytest.raises(SettingNotTaken, match="range"):
            meter.read()
        meter.check_errors()
        assert instrument.started == (4 if name == "multimeter-sense-fetch" else 0)
