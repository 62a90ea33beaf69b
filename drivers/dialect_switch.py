"""Say what the dialect of a relay switch spells."""

from __future__ import annotations

__all__ = ["SwitchCommands", "SwitchDialect", "SwitchTiming"]

from typing import Literal

from attrs import field, frozen

from drivers.dialect import CommonCommands, Dialect, Query, Timing, command, query, seconds
from labbench.errors import QuantityError
from labbench.files import MistakeError, MistakesError
from labbench.quantities import parse_channel_list

_BY_LIST = ("close_channels", "open_channels", "closed_channels")
_ONE_BY_ONE = ("close_channel", "open_channel", "channel_closed")


def _relays(text: str) -> None:
    try:
        parse_channel_list(text)
    except QuantityError as error:
        raise MistakeError(f"is no channel list: {error.message}") from None


@frozen(kw_only=True)
class SwitchCommands(CommonCommands):
    """Hold the spelling of a relay switch's commands: by channel list, or one relay at a time."""

    close_channels: str | None = field(metadata=command("channels"), default=None)
    open_channels: str | None = field(metadata=command("channels"), default=None)
    closed_channels: Query | None = field(metadata=query("channels"), default=None)
    close_channel: str | None = field(metadata=command("channel"), default=None)
    open_channel: str | None = field(metadata=command("channel"), default=None)
    channel_closed: Query | None = field(
        metadata=query("boolean", places=("channel",)), default=None
    )

    def __attrs_post_init__(self) -> None:
        ways = [
            sum(getattr(self, name) is not None for name in way) for way in (_BY_LIST, _ONE_BY_ONE)
        ]
        if ways not in ([3, 0], [0, 3]):
            raise MistakesError(
                [(_BY_LIST[0], f"needs all of {', '.join(_BY_LIST)}, or all of "
                  f"{', '.join(_ONE_BY_ONE)}")]
            )  # fmt: skip


@frozen(kw_only=True)
class SwitchTiming(Timing):
    """Hold how long relays take to move and to stop bouncing (s)."""

    relay: float = field(metadata=seconds(0, 5))
    move: float = field(metadata=seconds(0.05, 60))


@frozen(kw_only=True)
class SwitchDialect(Dialect):
    """Hold the dialect of a relay switch."""

    role: Literal["switch"]
    commands: SwitchCommands
    timing: SwitchTiming
    #: the relays that there are, as a channel list, where each is asked for its state; without it
    #: those are asked that the bench uses
    relays: str | None = field(default=None, metadata={"check": _relays})

    @property
    def every_relay(self) -> tuple[int, ...]:
        """List the relays that there are; empty when the dialect does not say."""
        return parse_channel_list(self.relays) if self.relays is not None else ()
