"""An exchange log becomes a test: what was recorded with an instrument is played back without it.

The recordings are made here, over each kind of link, and played back over a socket. Does NOT cover
how long an instrument took for its answers: a replay answers at once.
"""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from drivers import open_impedance_meter
from drivers.exchange_log import read_exchanges
from labbench.errors import InstrumentError
from labbench.ports import ImpedanceReading
from sim.links.kinds import KINDS
from sim.served import ServedBench
from tests.drivers.peers import quick_dialect
from tests.drivers.replay import replayed
from tests.drivers_with_sim.commands import DIALECTS
from tests.drivers_with_sim.opened import ROLES, SCENARIO


def work(
    address: str, dialect: Path, folder: Path, *, level_v: float = 0.3, **more: Any
) -> ImpedanceReading:
    with open_impedance_meter(address, dialect, lock_directory=folder, **more) as meter:
        meter.prepare()
        meter.set_point(frequency_hz=1e5, level_v=level_v, aperture_s=0.05, averages=2)
        reading = meter.read_impedance()
        meter.check_errors()
        return reading


@pytest.mark.parametrize("link", KINDS)
@pytest.mark.parametrize("dialect", DIALECTS["impedance_meter"])
def test_a_recorded_measurement_plays_back_to_the_same_reading(
    tmp_path: Path, link: str, dialect: str
) -> None:
    log = tmp_path / "exchange.log"
    spelling = quick_dialect(tmp_path, dialect)
    with ExitStack() as undo:
        bench = undo.enter_context(
            ServedBench(
                SCENARIO,
                manual_clock=True,
                links=dict.fromkeys(ROLES, link),
                dialects={"impedance_meter": dialect},
            )
        )
        assert bench.bench.switch is not None
        bench.bench.switch.close([101, 201, 202])
        recorded = work(bench.addresses["impedance_meter"], spelling, tmp_path, exchange_log=log)
    assert recorded.status == "ok"
    assert len(read_exchanges(log)) > 10
    with replayed(log, "impedance_meter") as peer:
        assert work(peer.address, spelling, tmp_path) == recorded


def test_a_driver_that_sends_something_else_fails_the_replay(tmp_path: Path) -> None:
    log = tmp_path / "exchange.log"
    spelling = quick_dialect(tmp_path, "impedance-function-tree")
    with ServedBench(SCENARIO, manual_clock=True) as bench:
        work(bench.addresses["impedance_meter"], spelling, tmp_path, exchange_log=log)
    peer = replayed(log, "impedance_meter")
    with pytest.raises(InstrumentError):
        work(peer.address, spelling, tmp_path, level_v=0.2)
    with pytest.raises(AssertionError, match=r"'VOLT 0\.2' was sent where 'VOLT 0\.3' was due"):
        peer.stop()


def test_a_driver_that_stops_early_fails_the_replay(tmp_path: Path) -> None:
    log = tmp_path / "exchange.log"
    spelling = quick_dialect(tmp_path, "impedance-function-tree")
    with ServedBench(SCENARIO, manual_clock=True) as bench:
        work(bench.addresses["impedance_meter"], spelling, tmp_path, exchange_log=log)
    peer = replayed(log, "impedance_meter")
    open_impedance_meter(peer.address, spelling, lock_directory=tmp_path).close()
    with pytest.raises(AssertionError, match="never sent"):
        peer.stop()
