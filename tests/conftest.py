"""Give every test a way to say a figure that the run prints at its end, passed or not.

After each test the journals are closed that its doubles of a bench left open.

Does not cover anything by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from hypothesis import settings

from tests.doubles import close_rigs

_SAID = "said"
# a run finds what the run before found: what hypothesis tries is fixed, as every other seed is
settings.register_profile("fixed", derandomize=True)
settings.load_profile("fixed")


@pytest.fixture
def say(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Return a function that keeps a line for the end of the run (also from a worker process)."""

    def keep(line: str) -> None:
        print(line)
        request.node.user_properties.append((_SAID, line))

    return keep


@pytest.fixture(autouse=True)
def _no_journal_stays_open() -> Iterator[None]:
    yield
    close_rigs()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what tests said."""
    lines = [
        f"{report.nodeid.rpartition('/')[2]}: {line}"
        for outcome in ("passed", "failed")
        for report in terminalreporter.stats.get(outcome, ())
        for name, line in report.user_properties
        if name == _SAID and report.when == "call"
    ]
    if lines:
        terminalreporter.section("said by the tests")
        for line in lines:
            terminalreporter.write_line(line)
