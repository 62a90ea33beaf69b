"""Drive a relay switch: break before make, and believe only what reads back."""

from __future__ import annotations

__all__ = ["ScpiRelaySwitch"]

import time
from collections.abc import Sequence

from drivers.dialect import DialectFile
from drivers.dialect_roles import SwitchDialect
from drivers.instrument import LinkedInstrument, Opening
from drivers.scpi import format_channel_list
from labbench.errors import InputError, SettingNotTaken


class ScpiRelaySwitch(LinkedInstrument[SwitchDialect]):
    """Close and open relays over SCPI."""

    role = "switch"

    def __init__(
        self, resource: str, dialect: DialectFile[SwitchDialect], opening: Opening
    ) -> None:
        """Connect. Moves no relay."""
        self._wanted: tuple[int, ...] | None = None
        super().__init__(resource, dialect, opening)

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        """Open what is closed and not listed, then close the listed; return the read back.

        Break before make: what was opened reads back open before anything closes. Raises
        SettingNotTaken when the state read back differs.
        """
        wanted = tuple(sorted(set(channels)))
        if any(channel < 0 for channel in wanted):
            raise InputError(f"{self.name}: {wanted[0]} is no relay")
        commands = self._dialect.commands
        with self._session.held():
            self._wanted = None
            now = set(self.closed())
            if excess := sorted(now - set(wanted)):
                self._move(commands.open_channels, excess)
                now = set(self.closed())
                kept = sorted(now - set(wanted))
                self._require("relays", "open", f"{kept} closed", agrees=not kept)
            if missing := sorted(set(wanted) - now):
                self._move(commands.close_channels, missing)
            took = self.closed()
            self._require(
                "relays",
                format_channel_list(wanted),
                format_channel_list(took),
                agrees=sorted(took) == list(wanted),
            )
            self._wanted = wanted
            return took

    def closed(self) -> tuple[int, ...]:
        """Read which relays are closed."""
        return tuple(sorted(self._ask(self._dialect.commands.closed_channels).fields[0]))  # type: ignore[call-overload]

    def _move(self, template: str, channels: Sequence[int]) -> None:
        self._send(template, {"channels": format_channel_list(channels)})
        self._ask(self._common.operation_complete, timeout_s=self._dialect.timing.move)
        time.sleep(self._dialect.timing.relay)

    def _reapply(self) -> None:
        """Check that the relays stand as they were left; never move one.

        Whether a tie may be made again depends on the supply being off and the part discharged,
        which only the bench knows. Raises SettingNotTaken when they stand differently.
        """
        if self._wanted is None:
            return
        took = self.closed()
        if sorted(took) != list(self._wanted):
            raise SettingNotTaken(
                f"{self.name}: relays {format_channel_list(self._wanted)} were closed, now "
                f"{format_channel_list(took)} are",
                instrument=self.name,
                answered=format_channel_list(took),
                hint="the switch may have lost its power; switch off and make the hookup anew",
            )
