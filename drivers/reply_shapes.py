"""Declare what a reply looks like, in a few words that a dialect file can hold.

A shape is one of `identity`, `error`, `channels` (a channel list), `booleans` (as many as asked
about), or a list of fields: `number`, `integer`, `boolean`, `word` (character data), `string` (in
quotes), separated by commas: `number, number, integer`.
"""

from __future__ import annotations

__all__ = ["Reply", "Shape", "parse_joined", "shape_of"]

import functools
from collections.abc import Callable
from typing import TypeVar

from attrs import frozen

from drivers import scpi
from labbench.errors import ReplyMalformed

T = TypeVar("T")
_Parser = Callable[[str, scpi.Sentinels], object]

_FIELDS: dict[str, _Parser] = {
    "number": scpi.parse_number,
    "integer": lambda text, _: scpi.parse_integer(text),
    "boolean": lambda text, _: scpi.parse_boolean(text),
    "word": lambda text, _: scpi.parse_word(text),
    "string": lambda text, _: scpi.parse_string(text),
}
_WHOLE: dict[str, _Parser] = {
    "identity": lambda text, _: scpi.parse_identity(text),
    "error": lambda text, _: scpi.parse_error_entry(text),
    "channels": lambda text, _: scpi.parse_channel_list(text),
}


@frozen
class Reply:
    """Hold the parsed fields of a reply and its raw text."""

    fields: tuple[object, ...]
    raw: str

    def field(self, index: int, kind: type[T]) -> T:
        """Give one field, which the declared shape says is of this kind."""
        value = self.fields[index]
        if not isinstance(value, kind):
            raise ReplyMalformed(
                f"field {index + 1} of {self.raw!r} is no {kind.__name__}", answered=self.raw
            )
        return value

    @property
    def plain(self) -> str:
        """Give the text of a reply with one field, without the quotes of a string."""
        value = self.fields[0]
        return value if isinstance(value, str) else self.raw

    def only(self, kind: type[T]) -> T:
        """Give the single field of a reply that has one."""
        return self.field(0, kind)


@frozen
class Shape:
    """Parse replies of one declared shape."""

    text: str
    kinds: tuple[str, ...]

    def parse(self, text: str, sentinels: scpi.Sentinels) -> Reply:
        """Read a reply; raise ReplyMalformed unless it is exactly of this shape."""
        raw = text.strip()
        if len(self.kinds) == 1 and (whole := _WHOLE.get(self.kinds[0])) is not None:
            return Reply((whole(raw, sentinels),), raw)
        fields = scpi.split_outside_quotes(raw, ",")
        if self.kinds != ("booleans",) and len(fields) != len(self.kinds):
            raise ReplyMalformed(
                f"{raw[:80]!r} has {len(fields)} fields, not the declared {self.text!r}",
                answered=raw,
            )
        kinds = self.kinds
        if kinds == ("booleans",):
            kinds = ("boolean",) * len(fields)
        return Reply(
            tuple(
                _FIELDS[kind](field, sentinels) for kind, field in zip(kinds, fields, strict=True)
            ),
            raw,
        )


@functools.lru_cache(maxsize=256)
def shape_of(text: str) -> Shape:
    """Read a shape as a dialect declares it; raise ValueError that says what is known."""
    kinds = tuple(kind.strip() for kind in text.split(","))
    if len(kinds) == 1 and kinds[0] in (*_WHOLE, "booleans"):
        return Shape(text, kinds)
    for kind in kinds:
        if kind not in _FIELDS:
            known = ", ".join((*_FIELDS, *_WHOLE, "booleans"))
            raise ValueError(f"{kind!r} is no kind of reply ({known})")
    return Shape(text, kinds)


def parse_joined(
    shapes: tuple[Shape, ...], text: str, sentinels: scpi.Sentinels
) -> tuple[Reply, ...]:
    """Read the answers to queries that were joined in one message (IEEE 488.2, 8.4.1: `;`)."""
    answers = scpi.split_outside_quotes(text, ";")
    if len(answers) != len(shapes):
        raise ReplyMalformed(
            f"{text[:80]!r} holds {len(answers)} answers to {len(shapes)} queries", answered=text
        )
    return tuple(
        shape.parse(answer, sentinels) for shape, answer in zip(shapes, answers, strict=True)
    )
