"""Let a part that was just lifted cool while the next one is taken; never fail it for warmth."""

from __future__ import annotations

__all__ = ["cooling_list", "just_lifted", "left_in_list", "now_utc", "residual_k", "still_warm"]

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from attrs import evolve

from labbench.judging.cooling import (
    COOL_WITHIN_K,
    LIFTED_C,
    TAU_S,
    cooling_time_s,
    excess_after_k,
    excess_from_drift_k,
    leave_warm_undecided,
    waiting_judgement,
)
from labbench.records.cooling_file import CoolingPart, put_cooling, read_cooling, take_cooling
from labbench.records.folder import DataFolder
from labbench.results import Judgement


def now_utc() -> datetime:
    """Return the time of day: cooling goes by the real clock, across runs and restarts."""
    return datetime.now(UTC)


def just_lifted(
    data: DataFolder,
    *,
    specimen: str,
    type_name: str,
    room_c: float = 23.0,
    position: str | None = None,
    donor: str | None = None,
    lot: str | None = None,
    customer_job: str | None = None,
    now: datetime | None = None,
) -> Judgement:
    """Start the clock of a part that was just lifted and return what is said of it meanwhile."""
    lifted = now or now_utc()
    wait_s = cooling_time_s(LIFTED_C - room_c)
    ready = lifted + timedelta(seconds=wait_s)
    part = CoolingPart(
        specimen=specimen, type=type_name, lifted_utc=lifted.isoformat(),
        ready_utc=ready.isoformat(), position=position, donor=donor, lot=lot,
        customer_job=customer_job,
    )  # fmt: skip
    put_cooling(data.cooling, part, lifted)
    return waiting_judgement(specimen, type_name, wait_s)


def cooling_list(data: DataFolder, *, now: datetime | None = None) -> list[tuple[CoolingPart, int]]:
    """List the parts that cool with the seconds that each still needs (0: it may be measured)."""
    at = now or now_utc()
    return [(part, max(0, round(part.wait_s(at)))) for part in read_cooling(data.cooling, at)]


def still_warm(
    data: DataFolder, specimen: str, *, now: datetime | None = None
) -> tuple[CoolingPart | None, Judgement | None]:
    """Return a specimen's entry in the cooling list, and the judgement while it has to wait.

    Both are None for a part that is not in the list. Ask before the bench is opened: a part that
    has to wait is not measured.
    """
    at = now or now_utc()
    part = next((p for p in read_cooling(data.cooling, at) if p.specimen == specimen), None)
    if part is None:
        return None, None
    wait_s = part.wait_s(at)
    return part, waiting_judgement(specimen, part.type, wait_s) if wait_s > 0.0 else None


def residual_k(data: DataFolder, specimen: str, *, now: datetime | None = None) -> float:
    """Return how far above the room a specimen of the cooling list may still be (K), else 0."""
    at = now or now_utc()
    part, _ = still_warm(data, specimen, now=at)
    return excess_after_k(-part.wait_s(at)) if part is not None else 0.0


def left_in_list(
    data: DataFolder,
    judgement: Judgement,
    measured: Mapping[str, Any],
    *,
    part: CoolingPart,
    now: datetime | None = None,
) -> Judgement:
    """Take a measured part out of the list, or leave it there where it proved still warm.

    `measured` holds what verify journals beside the readings: `dc_unstable`, `dc_fall_share`,
    `dc_fall_s`, `temperature_c`. `part` is the entry to make where it goes in again.
    """
    at = now or now_utc()
    if measured.get("dc_unstable") != "still-warm":
        take_cooling(data.cooling, part.specimen, at)
        return judgement
    excess_k = excess_from_drift_k(
        float(measured.get("dc_fall_share", 0.0)), float(measured.get("dc_fall_s", 0.0)),
        float(measured.get("temperature_c", 23.0)),
    )  # fmt: skip
    # it was seen to cool: at least one time constant, whatever the estimate says
    wait_s = max(TAU_S, cooling_time_s(excess_k, within_k=COOL_WITHIN_K))
    known, _ = still_warm(data, part.specimen, now=at)
    ready = (at + timedelta(seconds=wait_s)).isoformat()
    put_cooling(data.cooling, evolve(known or part, ready_utc=ready), at)
    return leave_warm_undecided(judgement, wait_s)
