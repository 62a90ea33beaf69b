"""Check fields that dialects of several roles have."""

from __future__ import annotations

__all__ = ["Words", "come_in_pairs", "words_field"]

from labbench.files import MistakeError, MistakesError

Words = tuple[str, ...]


def words_field() -> dict[str, object]:
    """Check a field that lists the spellings of one word; the first is the usual one."""

    def check(words: Words) -> None:
        if not words:
            raise MistakeError("needs at least one spelling")
        if bad := [word for word in words if not (word.isascii() and word.isprintable() and word)]:
            raise MistakeError(f"{bad[0]!r} is no printable ASCII text")

    return {"check": check}


def come_in_pairs(**pairs: tuple[object | None, object | None]) -> None:
    """Refuse a setting without its read back, and the other way round."""
    mistakes = [
        (name, "a setting and the query that reads it back come together or not at all")
        for name, (first, second) in pairs.items()
        if (first is None) != (second is None)
    ]
    if mistakes:
        raise MistakesError(mistakes)
