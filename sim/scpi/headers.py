"""The command tree: long and short forms, optional nodes, numeric suffixes.

A header is written as in the standards: ``[SOURce]:VOLTage[:LEVel]``. Capitals are the short form.
A node that takes a numeric suffix states its range: ``OUTPut<1:2>``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from sim.scpi.errors import ScpiError

T = TypeVar("T")

_NODE = re.compile(
    r"(?P<open>\[)?:?(?P<word>[A-Z]+[a-z]*)(?:<(?P<low>\d+):(?P<high>\d+)>)?(?P<close>\])?"
)
_SENT = re.compile(r"(?P<word>[A-Z_]\w*?)(?P<suffix>[0-9]*)", re.A)


def short_form(word: str) -> str:
    """Return the short form of a word, in capitals.

    The first four letters, or three if the fourth is a vowel; words of up to four letters have no
    other form (SCPI-99 vol. 1, 6.2.1).
    """
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in "AEIOU" else word[:4]


@dataclass(frozen=True)
class Keyword:
    """One node of a header as the instrument defines it."""

    word: str
    optional: bool
    suffixes: range = range(1, 2)
    numbered: bool = False


def keywords(header: str) -> tuple[Keyword, ...]:
    """Read a header in the notation of the standards; raises ValueError where it is wrong.

    The capitals must be the short form that the rule gives, so that a slip in a table shows.
    """
    found: list[Keyword] = []
    at = 0
    while at < len(header):
        match = _NODE.match(header, at)
        if match is None or bool(match["open"]) != bool(match["close"]):
            raise ValueError(f"{header!r}: cannot read it from {header[at:]!r} on")
        capitals = "".join(letter for letter in match["word"] if letter.isupper())
        if capitals != short_form(match["word"]):
            raise ValueError(
                f"{header!r}: the short form of {match['word']} is {short_form(match['word'])}"
            )
        numbered = match["low"] is not None
        suffixes = range(int(match["low"]), int(match["high"]) + 1) if numbered else range(1, 2)
        found.append(Keyword(match["word"].upper(), bool(match["open"]), suffixes, numbered))
        at = match.end()
    if all(keyword.optional for keyword in found):
        raise ValueError(f"{header!r}: a header needs one node that is not optional")
    return tuple(found)


@dataclass
class _Node(Generic[T]):
    keyword: Keyword
    leaf: tuple[T, tuple[bool, ...]] | None = None  # with: was each numbered node sent?
    children: dict[str, _Node[T]] = field(default_factory=dict)


class HeaderTree(Generic[T]):
    """Find what a header stands for."""

    def __init__(self) -> None:
        """Start without any header."""
        self._root: _Node[T] = _Node(Keyword("", optional=False))

    def add(self, header: str, leaf: T) -> None:
        """Add one header with everything it may be sent as; raises ValueError on a clash."""
        for path, sent in _variants(keywords(header)):
            node = self._root
            for keyword in path:
                child = node.children.get(keyword.word)
                if child is None:
                    child = _Node(keyword)
                    for form in {keyword.word, short_form(keyword.word)}:
                        if node.children.setdefault(form, child) is not child:
                            raise ValueError(f"{header!r}: {form} stands for two words")
                elif (child.keyword.word, child.keyword.suffixes) != (
                    keyword.word,
                    keyword.suffixes,
                ):
                    raise ValueError(f"{header!r}: {keyword.word} is defined in two ways")
                node = child
            if node.leaf is not None:
                raise ValueError(f"{header!r}: another header can be sent in the same words")
            node.leaf = leaf, sent

    def find(self, path: tuple[str, ...]) -> tuple[T, tuple[int, ...]]:
        """Return what this path stands for, and the suffixes of its numbered nodes.

        A suffix left out is 1. Raises :class:`ScpiError` -113 for a path that leads nowhere and
        -114 for a suffix out of range.
        """
        node = self._root
        suffixes: list[int] = []  # of the numbered nodes that were sent
        out_of_range = False
        for mnemonic in path:
            match = _SENT.fullmatch(mnemonic.upper())
            child = node.children.get(match["word"]) if match is not None else None
            if match is None or child is None:
                raise ScpiError(-113, ":".join(path))
            node = child
            suffix = int(match["suffix"] or "1")
            out_of_range = out_of_range or suffix not in node.keyword.suffixes
            if node.keyword.numbered:
                suffixes.append(suffix)
        if node.leaf is None:
            raise ScpiError(-113, ":".join(path))
        if out_of_range:
            raise ScpiError(-114, ":".join(path))
        leaf, sent = node.leaf
        given = iter(suffixes)
        return leaf, tuple(next(given) if was_sent else 1 for was_sent in sent)


def _variants(
    path: tuple[Keyword, ...],
) -> list[tuple[tuple[Keyword, ...], tuple[bool, ...]]]:
    """Return the path with and without each optional node, and which numbered ones are in it."""
    variants: list[tuple[tuple[Keyword, ...], tuple[bool, ...]]] = [((), ())]
    for keyword in path:
        choices = (True, False) if keyword.optional else (True,)
        variants = [
            (
                (*nodes, keyword) if present else nodes,
                (*sent, present) if keyword.numbered else sent,
            )
            for nodes, sent in variants
            for present in choices
        ]
    return variants
