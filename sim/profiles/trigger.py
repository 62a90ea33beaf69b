"""The trigger model of SCPI-99 as far as these meters have it: idle, waiting, measuring."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from sim.instruments.errors import SettingError
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.operations import Operations
from sim.scpi.parameters import Choice
from sim.scpi.status import Operation, Status

R = TypeVar("R")
_LOG = logging.getLogger(__name__)


class TriggerModel(Generic[R]):
    """Take readings on command, and keep the last one until something makes it stale."""

    def __init__(
        self, measure: Callable[[], R], format_reading: Callable[[R], str], reading: str
    ) -> None:
        """Measure with ``measure``; ``reading`` is the optional node behind FETCh and READ."""
        self.status = Status()
        self.operations = Operations(self.status)
        self._measure = measure
        self._format = format_reading
        self._node = reading
        self._lock = threading.Lock()
        self._source = "IMM"
        self._waiting = False
        self._run: object | None = None  # the measurement whose result is still wanted
        self._reading: R | None = None

    def commands(self) -> list[Command]:
        """Return the commands of the trigger model; ``*TRG`` is the interpreter's."""
        return [
            Command(
                "TRIGger[:SEQuence]:SOURce",
                do=self._set_source,
                takes=(Choice(("IMMediate", "BUS")),),
                answer=lambda: self._source,
            ),
            Command("INITiate[:IMMediate]", do=self.initiate, overlapped=True),
            Command("ABORt", do=self.abort, overlapped=True),
            Command(f"FETCh{self._node}", answer=self.fetch),
            Command(f"READ{self._node}", answer=self.read),
        ]

    def initiate(self) -> None:
        """Leave the idle state; raises -213 where it has been left already."""
        with self._lock:
            if self._waiting or self._run is not None:
                raise ScpiError(-213)
            self._reading = None
            if self._source == "BUS":
                self._waiting = True
                self.status.change_operation(on=Operation.WAITING_FOR_TRIGGER)
                return
        self._start()

    def trigger(self) -> None:
        """Start the measurement that waits for it (``*TRG``); raises -211 if none does."""
        with self._lock:
            if not self._waiting:
                raise ScpiError(-211)
            self._waiting = False
        self._start()

    def abort(self) -> None:
        """Return to idle; a measurement that is under way comes to nothing."""
        with self._lock:
            self._waiting = False
            self._run = None
        self.status.change_operation(off=Operation.WAITING_FOR_TRIGGER | Operation.MEASURING)

    def fetch(self) -> str:
        """Return the last reading; raises -230 where there is none or it is out of date."""
        self.operations.wait()
        with self._lock:
            reading = self._reading
        if reading is None:
            raise ScpiError(-230)
        return self._format(reading)

    def read(self) -> str:
        """Take a reading and return it; raises -214 where that would wait for ``*TRG``."""
        self.abort()
        if self._source == "BUS":
            raise ScpiError(-214)
        self._reading = None
        self.status.change_operation(on=Operation.MEASURING)
        try:
            self._reading = self._measure()
        finally:
            self.status.change_operation(off=Operation.MEASURING)
        return self._format(self._reading)

    def outdate(self) -> None:
        """Forget the last reading: a setting has changed since (SCPI-99 vol. 2, FETCh)."""
        with self._lock:
            self._reading = None

    def reset(self) -> None:
        """Return to the immediate trigger source, without a reading."""
        self._source = "IMM"
        self.outdate()

    def changing(self, put: Callable[..., None]) -> Callable[..., None]:
        """Return a setter that outdates the last reading where it succeeds."""

        def change(*values: object) -> None:
            put(*values)
            self.outdate()

        return change

    def _set_source(self, source: str) -> None:
        self._source = source

    def _start(self) -> None:
        run = object()
        with self._lock:
            self._run = run
        self.status.change_operation(on=Operation.MEASURING, off=Operation.WAITING_FOR_TRIGGER)
        self.operations.start(lambda: self._finish(run))

    def _finish(self, run: object) -> None:
        reading: R | None = None
        try:
            reading = self._measure()
        except SettingError as error:
            self.status.report(error.code, error.message)
        except Exception:
            _LOG.exception("a measurement failed inside the simulator")
            self.status.report(-310, "measurement")
        with self._lock:
            if self._run is not run:
                return
            self._run = None
            self._reading = reading
        self.status.change_operation(off=Operation.MEASURING)
