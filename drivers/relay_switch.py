"""Drive a relay switch: break before make, and believe only what reads back."""

from __future__ import annotations

__all__ = ["ScpiRelaySwitch"]

import time
from collections.abc import Iterator, Sequence

from drivers.dialect import DialectFile, fill
from drivers.dialect_roles import SwitchDialect
from drivers.instrument import LinkedInstrument, Opening
from drivers.scpi import format_channel_list
from labbench.errors import InputError, SettingNotTaken


class ScpiRelaySwitch(LinkedInstrument[SwitchDialect]):
    """Close and open relays over SCPI."""

    role = "switch"

    def __init__(
        self,
        resource: str,
        dialect: DialectFile[SwitchDialect],
        opening: Opening,
        *,
        relays: Sequence[int] = (),
    ) -> None:
        """Connect. Moves no relay.

        relays: those that the bench uses, for a switch that has no list of closed ones and whose
        dialect does not say which there are.
        """
        self._wanted: tuple[int, ...] | None = None
        self._asked: tuple[int, ...] = ()
        if dialect.dialect.commands.channel_closed is not None:
            self._asked = dialect.dialect.every_relay or tuple(sorted(set(relays)))
            if not self._asked:
                raise InputError(
                    f"the dialect {dialect.dialect.name!r} asks each relay, and nobody says which "
                    "there are",
                    hint='give its dialect a line such as relays = "(@101:120,201:208)"',
                )
        super().__init__(resource, dialect, opening)

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        """Open what is closed and not listed, then close the listed; return the read back.

        Break before make: what was opened reads back open before anything closes. Raises
        SettingNotTaken when the state read back differs.
        """
        wanted = tuple(sorted(set(channels)))
        if any(channel < 0 for channel in wanted):
            raise InputError(f"{self.name}: {wanted[0]} is no relay")
        known = self._asked
        if known and (unknown := [channel for channel in wanted if channel not in known]):
            # one that is never asked about would never be opened again either
            raise InputError(
                f"{self.name}: relay {unknown[0]} is not among those that are asked",
                hint=f"asked: {format_channel_list(known)}; `relays` in its dialect changes that",
            )
        commands = self._dialect.commands
        with self._session.held():
            self._wanted = None
            now = set(self.closed())
            if excess := sorted(now - set(wanted)):
                self._move(commands.open_channels, commands.open_channel, excess)
                now = set(self.closed())
                kept = sorted(now - set(wanted))
                self._require("relays", "open", f"{kept} closed", agrees=not kept)
            if missing := sorted(set(wanted) - now):
                self._move(commands.close_channels, commands.close_channel, missing)
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
        """Read which relays are closed, or ask each one where the switch has no such list."""
        commands = self._dialect.commands
        if commands.closed_channels is not None:
            channels = self._ask(commands.closed_channels).field(0, tuple)
            return tuple(sorted(int(channel) for channel in channels))
        asked = commands.channel_closed
        assert asked is not None  # the dialect was checked for one of both
        states: dict[int, bool] = {}
        with self._session.held():
            for group in self._in_messages(asked.send):
                for relay, reply in self._ask_each(asked, "channel", group).items():
                    states[relay] = reply.only(bool)
        return tuple(sorted(relay for relay, closed in states.items() if closed))

    def _in_messages(self, template: str) -> Iterator[list[int]]:
        """Cut the relays into groups whose joined questions fit into one message."""
        relays = self._asked
        # a colon and a semicolon stand between two questions; the terminator takes two at most
        longest = len(fill(template, {"channel": str(max(relays))})) + 2
        room = self._dialect.link.longest_message_bytes - 2
        for at in range(0, len(relays), size := max(1, room // longest)):
            yield list(relays[at : at + size])

    def _move(self, many: str | None, one: str | None, channels: Sequence[int]) -> None:
        if many is not None:
            self._send(many, {"channels": format_channel_list(channels)})
        elif one is not None:
            for channel in channels:
                self._send(one, {"channel": str(channel)})
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
