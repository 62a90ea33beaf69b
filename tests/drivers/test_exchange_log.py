"""The exchange log as a file. Its use by a session is tested in `test_session.py`.

Does NOT cover a disk that fills up in the middle of a line.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.exchange_log import ExchangeLog, LoggedExchange, read_exchanges
from labbench.errors import FileProblems, InputError


@given(sent=st.binary(max_size=50), received=st.binary(max_size=50))
def test_any_bytes_come_back(
    tmp_path_factory: pytest.TempPathFactory, sent: bytes, received: bytes
) -> None:
    path = tmp_path_factory.mktemp("log") / "exchange.log"
    log = ExchangeLog(path, "meter")
    log.sent(sent)
    log.received(received)
    log.close()
    assert read_exchanges(path) == [LoggedExchange("meter", sent, received)]


def test_two_instruments_may_share_a_file(tmp_path: Path) -> None:
    path = tmp_path / "exchange.log"
    meter, supply = ExchangeLog(path, "meter"), ExchangeLog(path, "supply")
    meter.sent(b"READ?\n")
    supply.sent(b"OUTP 0\n")
    supply.note("opening")
    meter.received(b"1.")
    meter.received(b"5\n")
    meter.close()
    supply.close()
    assert read_exchanges(path) == [
        LoggedExchange("meter", b"READ?\n", b"1.5\n"),
        LoggedExchange("supply", b"OUTP 0\n", b""),
    ]
    entry = json.loads(path.read_text().splitlines()[0])
    assert set(entry) == {"utc", "monotonic_s", "instrument", "direction", "bytes"}


def test_lines_that_are_none_are_all_named(tmp_path: Path) -> None:
    path = tmp_path / "exchange.log"
    path.write_text('{"direction": "sent"}\nnothing\n[]\n')
    with pytest.raises(FileProblems) as told:
        read_exchanges(path)
    assert [problem.line for problem in told.value.problems] == [1, 2, 3]


def test_a_log_in_a_folder_that_is_not_there_is_told_at_opening(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="exchange log"):
        ExchangeLog(tmp_path / "no" / "exchange.log", "meter")
