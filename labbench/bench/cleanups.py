"""Run clean-ups so that each is tried and the first error stays the one raised."""

from __future__ import annotations

__all__ = ["CleanUps"]

from collections.abc import Callable
from contextlib import ExitStack

from labbench.errors import OutputStateUnknown


class CleanUps:
    """Collect clean-ups and run them newest first (energy rule 3).

    Each is tried whatever the others do, a Ctrl-C in one of them included. The first error stays
    the one raised and the others become notes on it, with one exception: an output state that is
    unknown comes before everything else (energy rule 4).
    """

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._failures: list[tuple[str, BaseException]] = []

    def add(self, what: str, action: Callable[[], object]) -> None:
        """Add a clean-up; `what` names it in the note on a failure."""

        def tried() -> None:
            try:
                action()
            except BaseException as error:
                self._failures.append((what, error))

        self._stack.callback(tried)

    def run(self, first: BaseException | None) -> None:
        """Run them all; `first` is the error under way, which the caller goes on raising.

        Raises OutputStateUnknown from `first` where an off could not be confirmed, else the
        first failure where no error was under way.
        """
        self._stack.close()
        failures, self._failures = self._failures, []
        unknown = next((e for _, e in failures if isinstance(e, OutputStateUnknown)), None)
        raised = unknown or first or (failures[0][1] if failures else None)
        for what, error in failures:
            if error is not raised and raised is not None:
                raised.add_note(f"besides, could not {what}: {type(error).__name__}: {error}")
        if unknown is not None:
            raise unknown from (first or unknown.__cause__)
        if first is None and raised is not None:
            raise raised
