"""Let every exchange of every procedure fail in every way, over real sockets, and look at the end.

After each: the simulated output is off, or OutputStateUnknown was raised; the journal is readable
and closed with the reason; every reading in force is what the instrument answered to that very
query, with the relays and the frequency that the journal says; what a verify run measured follows
from its readings in force; nothing was damaged; a bias current was run down and not cut off, unless
it was the supply that did not answer; the next run on the healed link works.

Not covered: two faults in one run, real serial ports, instruments read by hand, a digit
garbled inside a well-formed number (nothing can detect that on a plain socket). The instruments
are our simulator's: this is no outside check.
"""

from __future__ import annotations

import multiprocessing
import tempfile
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest

from sim.scenario import SCENARIOS
from tests.faults.bench_under_fault import SWEPT, WITH_NETWORK, Case, Found, Site

#: much of a case is waiting for answers that do not come: more processes than cores
WORKERS = 8
USUAL = "one-coil"
#: role: dialect and kind of link, none of them those of the usual bench; this supply has a watchdog
OTHER_LINKS = {
    "impedance_meter": ("impedance-calculate-tree", "hislip"),
    "supply": ("supply-channel-list", "hislip"),
    "multimeter": ("multimeter-sense-fetch", "serial-socket"),
    "switch": ("switch-output-tree", "serial-pty"),
}


def _try_all(folder: Path, scenario: str | Path, cases: Sequence[Case]) -> Found:
    """Try cases one after another on a bench of their own; runs in a process of its own."""
    warnings.simplefilter("error")
    found = Found()
    site = Site(Path(tempfile.mkdtemp(dir=folder)), scenario)
    try:
        site.run("verify", longest_wait_s=None)  # takes the compensation
        for case in cases:
            site.try_case(case, found)
    finally:
        site.close()
    return found


def _all_cases(
    folder: Path, scenario: str | Path = USUAL, procedures: Sequence[str] = SWEPT
) -> list[Case]:
    site = Site(folder, scenario)
    try:
        site.run("verify", longest_wait_s=None)
        return [case for procedure in procedures for case in site.cases(procedure)]
    finally:
        site.close()


def _sweep(folder: Path, cases: Sequence[Case], scenario: str | Path = USUAL) -> Found:
    found = Found()
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(WORKERS, mp_context=context) as pool:
        shares = [cases[start::WORKERS] for start in range(WORKERS)]
        for part in pool.map(_try_all, [folder] * WORKERS, [scenario] * WORKERS, shares):
            found.add(part)
    return found


def _hold_to_account(found: Found, cases: Sequence[Case], say: Callable[[str], None]) -> None:
    say(str(found))
    for trouble in found.troubles:
        print(trouble)
    assert found.cases == len(cases)
    assert found.left_on_silently == []
    assert found.wrong_in_force == []
    assert found.troubles == []
    # A sweep whose faults do not strike, or after which nothing is in force, would show nothing.
    assert found.never_reached < 0.02 * found.cases
    assert found.readings_in_force > found.cases
    assert found.readings_void > 0
    assert found.ended_with_an_error > 0


def test_a_third_of_the_exchanges_fail_and_nothing_is_left_on_or_wrong(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    cases = _all_cases(tmp_path)
    # every third exchange, and of its ways every fifth in turn
    some = [case for number, case in enumerate(cases) if case.number % 3 == 0 and number % 5 == 0]
    _hold_to_account(_sweep(tmp_path, some), some, say)


@pytest.mark.slow
def test_every_exchange_fails_in_every_way_and_nothing_is_left_on_or_wrong(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    cases = _all_cases(tmp_path)
    _hold_to_account(_sweep(tmp_path, cases), cases, say)


def _with_network(folder: Path) -> Path:
    """Write the usual scenario with a bias network and a probe on the core."""
    text = (SCENARIOS / f"{USUAL}.toml").read_text(encoding="utf-8")
    fixture = (
        '[fixture]\nseries_resistors = ["1 MΩ 0.1 %"]\ncore_probe = true\n'
        '[fixture.bias_network]\ncurrent = "10 A"\n\n[[lots]]'
    )
    assert "[fixture]" not in text
    path = folder / "with-network.toml"
    path.write_text(
        text.replace(f'name = "{USUAL}"', 'name = "with-network"').replace("[[lots]]", fixture, 1),
        encoding="utf-8",
    )
    return path


def test_some_exchanges_under_bias_fail_and_the_current_is_run_down(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    scenario = _with_network(tmp_path)
    cases = _all_cases(tmp_path, scenario, ["inductance-under-bias"])
    some = [case for number, case in enumerate(cases) if number % 173 == 0]
    # few enough for one process
    found = _try_all(tmp_path, scenario, some)
    say(str(found))
    assert found.cases == len(some) > 10
    assert found.troubles == []
    assert found.ended_with_an_error > 0


@pytest.mark.slow
def test_a_share_of_the_exchanges_under_bias_fail_and_the_current_is_run_down(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    scenario = _with_network(tmp_path)
    cases = _all_cases(tmp_path, scenario, WITH_NETWORK)
    # of a prime period, so that every way meets every kind of exchange
    some = [case for number, case in enumerate(cases) if number % 11 == 0]
    _hold_to_account(_sweep(tmp_path, some, scenario), some, say)


def _other_links(folder: Path) -> Path:
    """Write a scenario whose instruments speak the other dialects, over other kinds of link."""
    text = (SCENARIOS / f"{USUAL}.toml").read_text(encoding="utf-8")
    for role, (dialect, link) in OTHER_LINKS.items():
        head = f"[instruments.{role}]\n"
        assert head in text
        text = text.replace(head, f'{head}dialect = "{dialect}"\nlink = "{link}"\n')
    path = folder / "other-links.toml"
    path.write_text(text.replace(f'name = "{USUAL}"', 'name = "other-links"'), encoding="utf-8")
    return path


@pytest.mark.slow
def test_the_other_dialects_and_links_leave_nothing_on_or_wrong_either(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    scenario = _other_links(tmp_path)
    cases = _all_cases(tmp_path, scenario)
    some = [
        case for number, case in enumerate(cases)
        if case.procedure in ("impedance-sweep", "verify") and number % 12 == 0
    ]  # fmt: skip
    _hold_to_account(_sweep(tmp_path, some, scenario), some, say)
