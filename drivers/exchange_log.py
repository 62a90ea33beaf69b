"""Write down every byte that passes a link, and read such a log back for a replay.

One JSON object a line: when (UTC, and seconds since start of the process), which instrument, the
direction (`sent`, `received`, `note`) and the bytes, each as the character of that number
(ISO 8859-1), so that nothing is lost. The log stands beside the journal; it is not the record.
"""

from __future__ import annotations

__all__ = ["ExchangeLog", "LoggedExchange", "read_exchanges"]

import contextlib
import json
import time
from datetime import UTC, datetime
from pathlib import Path

from attrs import frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import parse_json_line


class ExchangeLog:
    """Append to one file; several instruments may share it."""

    def __init__(self, path: Path, instrument: str) -> None:
        """Open the file for appending; raise InputError when that cannot be done."""
        self.path = path
        self.failure: str | None = None
        self._instrument = instrument
        try:
            # unbuffered: one write is one line, also when two instruments share the file
            self._file = path.open("ab", buffering=0)
        except OSError as error:
            raise InputError(
                f"the exchange log {path} cannot be written: {error.strerror}"
            ) from error

    def sent(self, data: bytes) -> None:
        """Note bytes on their way to the instrument."""
        self._write("sent", data)

    def received(self, data: bytes) -> None:
        """Note bytes that came from the instrument."""
        self._write("received", data)

    def note(self, text: str) -> None:
        """Note what happened to the link itself: opened, lost, recovered, repeated."""
        self._write("note", text.encode())

    def close(self) -> None:
        """Close the file."""
        with contextlib.suppress(OSError):
            self._file.close()

    def _write(self, direction: str, data: bytes) -> None:
        if self.failure is not None or self._file.closed:
            return
        entry = {
            "utc": datetime.now(UTC).isoformat(timespec="microseconds"),
            "monotonic_s": round(time.monotonic(), 6),
            "instrument": self._instrument,
            "direction": direction,
            "bytes": data.decode("latin-1"),
        }
        try:
            self._file.write((json.dumps(entry) + "\n").encode())
        except OSError as error:
            # Switching off never depends on the disk: the session tells at the end of the step.
            self.failure = f"the exchange log {self.path} cannot be written: {error.strerror}"


@frozen
class LoggedExchange:
    """Hold one message that was sent and all that came back before the next one."""

    instrument: str
    sent: bytes
    received: bytes


def read_exchanges(path: Path) -> list[LoggedExchange]:
    """Read a log as exchanges in their order; raise FileProblems for lines that are none."""
    exchanges: list[LoggedExchange] = []
    problems: list[Problem] = []
    last: dict[str, int] = {}
    for number, line in enumerate(path.read_text(encoding="ascii").splitlines(), start=1):
        try:
            entry = parse_json_line(line)
            instrument, direction = str(entry["instrument"]), entry["direction"]
            data = str(entry["bytes"]).encode("latin-1")
        except (InputError, KeyError, TypeError, UnicodeEncodeError):
            problems.append(Problem(str(path), "is no line of an exchange log", line=number))
            continue
        if direction == "sent":
            last[instrument] = len(exchanges)
            exchanges.append(LoggedExchange(instrument, data, b""))
        elif direction == "received" and instrument in last:
            at = last[instrument]
            before = exchanges[at]
            exchanges[at] = LoggedExchange(instrument, before.sent, before.received + data)
    if problems:
        raise FileProblems(problems)
    return exchanges
