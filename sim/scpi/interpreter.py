"""The interpreter: bytes of a program message in, bytes of the response message out."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Sequence

from sim.instruments.errors import SettingError
from sim.scpi.command import Command
from sim.scpi.common import common_commands
from sim.scpi.errors import ScpiError
from sim.scpi.headers import HeaderTree
from sim.scpi.messages import MessageUnit, message_units
from sim.scpi.operations import Operations
from sim.scpi.parameters import Parameter
from sim.scpi.status import Status

_LOG = logging.getLogger(__name__)


class Interpreter:
    """An instrument as seen through its remote commands. Thread safe.

    Several connections share one interpreter, as they share one instrument: its settings, its
    status and its error queue.
    """

    def __init__(
        self,
        commands: Iterable[Command],
        *,
        identity: str,
        reset: Callable[[], None],
        abort: Callable[[], None] = lambda: None,
        trigger: Callable[[], None] | None = None,
        questionable: Callable[[], int] = lambda: 0,
        status: Status | None = None,
        operations: Operations | None = None,
        before_message: Callable[[], None] = lambda: None,
        reply_terminator: bytes = b"\n",
    ) -> None:
        """Take the instrument's own commands; those that every instrument has are added.

        ``reset`` brings the settings to their defaults, ``abort`` stops what ``reset`` must not
        wait for, ``trigger`` answers ``*TRG`` (left out: the command is undefined), and
        ``questionable`` returns the present condition of the questionable register.
        ``before_message`` is called before each message, whatever is in it. Links end replies
        with ``reply_terminator``.
        """
        self.identity = identity
        self.reply_terminator = reply_terminator
        self.status = status or Status()
        self.operations = operations or Operations(self.status)
        self._reset = reset
        self._abort = abort
        self._questionable = questionable
        self._before_message = before_message
        self._lock = threading.RLock()
        #: called with every message carried out and its reply, before the reply leaves
        self.on_exchange: Callable[[bytes, bytes | None], None] | None = None
        self._replies: list[str] = []
        self._tree: HeaderTree[Command] = HeaderTree()
        self._common: dict[str, Command] = {}
        self.commands = (*common_commands(self, trigger), *commands)
        for command in self.commands:
            if command.header.startswith("*"):
                self._common[command.header[1:]] = command
            else:
                self._tree.add(command.header, command)

    def execute(self, message: bytes) -> bytes | None:
        """Carry out one program message; return the reply without terminator, or None.

        Nothing is raised for anything that is sent: what is wrong goes to the error queue, and a
        query that cannot be answered gets no reply. After a command error the rest of the message
        is dropped, after any other error it is carried out.
        """
        with self._lock:
            self._replies = []
            self._before_message()
            try:
                self._carry_out_all(message)
            except ScpiError as error:
                self.status.report(error.code, error.info)
            self.look()
            reply = ";".join(self._replies).encode("ascii") if self._replies else None
            if self.on_exchange is not None:
                self.on_exchange(message, reply)
            return reply

    def refuse(self, code: int, info: str = "") -> None:
        """Queue an error that was found outside the interpreter, as by the link."""
        self.status.report(code, info)

    def clear_interface(self) -> None:
        """Forget what a device clear makes an instrument forget: an ``*OPC`` that stands out.

        Settings, status and a measurement that is running stay (IEEE 488.2, 5.8, from memory);
        input and output are the link's to empty.
        """
        self.operations.forget_announcement()

    def status_byte(self, *, message_available: bool) -> int:
        """Return the status byte for a link that asks for it beside the messages."""
        self.look()
        return self.status.byte(message_available=message_available)

    def look(self) -> None:
        """Take over the present questionable condition; its changes are latched here only."""
        condition = self._questionable()
        with self.status.lock:
            self.status.questionable.see(condition)

    @property
    def message_available(self) -> bool:
        """Tell whether the message being carried out has an answer already."""
        return bool(self._replies)

    def reset(self) -> None:
        """Stop what goes on and bring the settings to their defaults (``*RST``)."""
        self.operations.forget_announcement()
        self._abort()
        self.operations.wait()
        self._reset()

    def close(self) -> None:
        """Wait for a running measurement; the clock must have been released if it is long."""
        self._abort()
        self.operations.wait()

    def _carry_out_all(self, message: bytes) -> None:
        """Carry out the units of a message; raises the error that ends it early."""
        path: tuple[str, ...] = ()
        no_more_queries = False
        for unit in message_units(message):
            try:
                if no_more_queries and unit.query:
                    raise ScpiError(-440, unit.text)
                suffixes: tuple[int, ...] = ()
                if unit.common:
                    command = self._common_command(unit)
                else:
                    header = unit.header if unit.from_root else (*path, *unit.header)
                    command, suffixes = self._tree.find(header)
                    path = header[:-1]  # where the next header starts (SCPI-99 vol. 1, 6.2.4)
                self._carry_out(command, suffixes, unit)
                no_more_queries = no_more_queries or (unit.query and command.last_in_message)
            except ScpiError as error:
                if error.is_command_error:
                    raise
                self.status.report(error.code, error.info or unit.text)

    def _common_command(self, unit: MessageUnit) -> Command:
        command = self._common.get(unit.header[0].upper())
        if command is None:
            raise ScpiError(-113, unit.text)
        return command

    def _carry_out(self, command: Command, suffixes: tuple[int, ...], unit: MessageUnit) -> None:
        action = command.answer if unit.query else command.do
        if action is None:
            raise ScpiError(-113, unit.text)
        values = _values(unit, command.asks if unit.query else command.takes)
        if not command.overlapped:
            self.operations.wait()
        try:
            reply = action(*suffixes, *values)
        except SettingError as error:
            raise ScpiError(error.code, error.message) from error
        except ScpiError:
            raise
        except Exception as error:
            # A fault of the simulator, not of the client: said in the log with its trace, and to
            # the client as an instrument would say it, so that the connection lives on.
            _LOG.exception("%s failed inside the simulator", unit.text)
            raise ScpiError(-310, unit.text) from error
        if unit.query:
            self._replies.append(str(reply))


def _values(unit: MessageUnit, parameters: Sequence[Parameter]) -> list[object]:
    data = unit.data
    if len(data) > len(parameters):
        raise ScpiError(-108, unit.text)
    if any(not parameter.optional for parameter in parameters[len(data) :]):
        raise ScpiError(-109, unit.text)
    return [parameter.read(datum) for parameter, datum in zip(parameters, data, strict=False)]
