"""Look up what lies on the shelf: every part with its last verdict and where it is now."""

from __future__ import annotations

__all__ = [
    "ShelfPart",
    "coil_on_board",
    "life_of",
    "parts_in",
    "shelf_parts",
    "standards_in",
    "told_elsewhere",
]

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from attrs import frozen

from labbench.errors import InputError
from labbench.records.folder import DataFolder
from labbench.records.part_life import PartLife, Verified, part_lives
from labbench.records.store import RunRow, Store


@frozen(kw_only=True)
class ShelfPart:
    """Hold a part with its last verdict that was not struck, and where it is now.

    `characteristics` are those of verdict/1, as plain data. `stands` tells whether the verdict
    still speaks for the part (it was not fitted and lifted since).
    """

    specimen: str
    run: RunRow
    life: PartLife
    stands: bool
    is_check_standard: bool
    #: earlier verdicts of the same type and word that still speak for it, latest first
    earlier: tuple[RunRow, ...] = ()

    @property
    def type(self) -> str:
        """Name its part type."""
        return self.run.type or ""

    @property
    def disposition(self) -> str:
        """Give the word of its last verdict."""
        return self.run.disposition or ""

    @property
    def verified(self) -> Verified:
        """Give its last verdict in short."""
        return Verified(
            run=self.run.run, utc=self.run.opened_utc, type=self.type, disposition=self.disposition
        )

    @property
    def characteristics(self) -> Sequence[Mapping[str, Any]]:
        """Give what was measured, as in verdict/1."""
        found: Sequence[Mapping[str, Any]] = (self.run.judged or {}).get("characteristics", ())
        return found

    @property
    def is_at_hand(self) -> bool:
        """Tell whether it lies on the shelf (it may be reserved) and its verdict stands."""
        return self.life.state in ("at-hand", "reserved") and self.stands


def shelf_parts(
    data: DataFolder,
    *,
    type: str | None = None,
    warn: Callable[[InputError], object] | None = None,
) -> list[ShelfPart]:
    """Return every part that was ever verified, by name; `warn` as in `look_up.history`."""
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        if warn is not None:
            for problem in store.unreadable:
                warn(problem)
        found = parts_in(store)
    return [part for part in found if type is None or part.type == type]


def life_of(data: DataFolder, specimen: str) -> PartLife:
    """Return what became of a part, which need not have been verified."""
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        lives = part_lives(store.shelf())
    return lives.get(specimen, PartLife(specimen=specimen))


def coil_on_board(
    data: DataFolder, *, board: str, serial: str, rail: str, phases: Sequence[int]
) -> str | None:
    """Name the coil of ours that sits on the one phase that was fitted; None where nobody knows.

    A coil is a part that was verified with its DC resistance; one whose phase was not said counts
    where it is the only one on the rail.
    """
    if len(phases) != 1:
        return None
    try:
        parts = shelf_parts(data)
    except InputError:
        # a lost store takes the comparison away, not the measurement
        return None
    there = [
        part for part in parts
        if part.life.state == "fitted" and part.life.place is not None
        and (part.life.place.board, part.life.place.serial, part.life.place.rail)
        == (board, serial, rail)
        and any(e["name"] == "dc-resistance" and e["value"] for e in part.characteristics)
    ]  # fmt: skip
    on_phase = [p for p in there if p.life.place and p.life.place.phase == str(phases[0])]
    if not on_phase and len(there) == 1 and there[0].life.place and not there[0].life.place.phase:
        on_phase = there
    return on_phase[0].specimen if len(on_phase) == 1 else None


def told_elsewhere(data: DataFolder, specimen: str) -> str | None:
    """Say that a part that was just measured should be on a board or in the bin by the records."""
    try:
        life = life_of(data, specimen)
    except InputError:
        return None
    if life.state == "fitted" and life.place is not None:
        return (
            f"by the records {specimen} is fitted in {life.place.text}: if it was lifted, "
            f"labbench shelf return {specimen}, then verify it; else give this part another name"
        )
    if life.state == "scrapped":
        return f"by the records {specimen} was scrapped: give this part another name"
    return None


def parts_in(store: Store) -> list[ShelfPart]:
    """Return every part that the store has a verdict of, by name."""
    of_part: dict[str, list[RunRow]] = {}
    for row in store.search(job="verify", with_void=False):
        if row.specimen and row.disposition:
            of_part.setdefault(row.specimen, []).append(row)
    lives = part_lives(store.shelf())
    standards = standards_in(store)
    found = []
    for name, (row, *older) in of_part.items():
        life = lives.get(name, PartLife(specimen=name))
        verified = Verified(
            run=row.run, utc=row.opened_utc, type=row.type or "",
            disposition=row.disposition or "",
        )  # fmt: skip
        found.append(
            ShelfPart(
                specimen=name, run=row, life=life, stands=life.counts(verified),
                is_check_standard=name in standards,
                earlier=tuple(
                    o for o in older
                    if (o.type, o.disposition) == (row.type, row.disposition)
                    and (life.lifted_utc is None or o.opened_utc > life.lifted_utc)
                ),
            )
        )  # fmt: skip
    return sorted(found, key=lambda part: _natural(part.specimen))


def standards_in(store: Store) -> set[str]:
    """Name the parts that are check standards: kept at a bench, never fitted."""
    return {row.specimen for row in store.search(job="check") if row.specimen}


def _natural(name: str) -> tuple[str, int, str]:
    """Order D2 before D10."""
    stem = name.rstrip("0123456789")
    digits = name[len(stem) :]
    return stem, int(digits) if digits else -1, name
