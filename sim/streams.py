"""Named random streams from one seed.

Each purpose draws from a stream of its own. A stream depends on the seed and on its name alone,
not on the order in which streams are asked for, so a new source of noise changes no other number.
"""

from __future__ import annotations

import hashlib

import numpy as np


class Streams:
    """Give out independent generators by name."""

    def __init__(self, seed: int) -> None:
        """Keep the seed, an integer of zero or more; raises ValueError for a negative one."""
        if seed < 0:
            raise ValueError(f"the seed must be zero or more, got {seed}")
        self.seed = seed

    def stream(self, *name: str | int) -> np.random.Generator:
        """Return the stream of this name, at its beginning.

        Asking twice gives the same numbers twice: keep the generator, or count in the name, as in
        ``stream("contact", placement_number)``.
        """
        # The parts are hashed with their kinds and lengths, so that ("a", "bc") is not ("ab", "c")
        # and 1 is not "1"; hash() of a string is salted in every process and would not do.
        digest = hashlib.sha256()
        for part in name:
            kind = "text" if isinstance(part, str) else "int"
            text = str(part).encode()
            digest.update(f"{kind}:{len(text)}:".encode() + text)
        words = np.frombuffer(digest.digest(), dtype="<u4").tolist()
        return np.random.Generator(np.random.PCG64(np.random.SeedSequence([self.seed, *words])))
