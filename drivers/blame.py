"""Say in errors which instrument was asked what, what came back, and what is due."""

from __future__ import annotations

__all__ = ["OPENING", "RECOVERING", "STEP_END", "Blame"]

from collections.abc import Callable
from typing import NoReturn

from attrs import frozen

from labbench.errors import InstrumentError, ReplyTimeout, WrongInstrument

#: what is said to be asked when a session acts by itself
OPENING, RECOVERING, STEP_END = "opening", "recovering", "the end of a step"
_ERRANDS = (OPENING, RECOVERING, STEP_END)


@frozen
class Blame:
    """Place errors of the lower layers, which do not know whom they speak for.

    name: how the instrument is called. caution: what an unfinished exchange may mean. note: writes
    into the exchange log. why_silent: asks the error queue why a question was not answered.
    """

    name: str
    caution: str | None
    note: Callable[[str], None]
    why_silent: Callable[[], str]

    def reraise(self, error: BaseException, message: str, *, explain: bool = False) -> NoReturn:
        """Raise the error with its place; what is none of ours, or has one, as it is."""
        placed = self._placed(error, message, explain=explain)
        if placed is error:
            raise error
        raise placed from error

    def wrong(self, answered: str, expected: str, asked: str) -> WrongInstrument:
        """Say that another identity answers than expected."""
        return WrongInstrument(
            f"{self.name}: {answered!r} answers, {expected!r} was expected",
            instrument=self.name,
            asked=asked,
            answered=answered,
            hint=self.hint("check the address; somebody may have changed the instruments around"),
        )

    def hint(self, hint: str | None) -> str | None:
        """Give a hint behind the caution, where there is one."""
        return "; ".join(part for part in (self.caution, hint) if part) or None

    def _placed(self, error: BaseException, message: str, *, explain: bool) -> BaseException:
        if not isinstance(error, InstrumentError) or error.instrument is not None:
            return error
        asked = "" if message in _ERRANDS else f" was asked {message!r}"
        role, _, address = self.name.partition(" at ")
        # a link that could not be opened names its address itself
        who = role if address and address in error.message else self.name
        told = f"{who}{asked}: {error.message}"
        hint = error.hint
        if message == OPENING and isinstance(error, ReplyTimeout):
            hint = hint or "something takes the connection but says nothing: wrong port or dialect?"
        if explain and isinstance(error, ReplyTimeout) and not error.answered:
            if reason := self.why_silent():
                told = f"{self.name} refused {message!r}: {reason}"
            else:
                hint = hint or "wrong command for this instrument, wrong terminators, or it is busy"
        self.note(told)
        return type(error)(
            told,
            instrument=self.name,
            asked=message,
            answered=error.answered,
            hint=self.hint(hint),
        )
