"""Say what is to be verified, and how."""

from __future__ import annotations

__all__ = ["Request", "Way", "check_options", "chosen_way"]

from collections.abc import Sequence
from typing import Any, Literal

from attrs import frozen

from labbench.errors import InputError
from labbench.parts.coil_type import CoilType
from labbench.parts.part_type import PartType
from labbench.results import Readings

Way = Literal["full", "screen", "in-place"]


def chosen_way(family: str, asked: str | None, *, has_relays: bool) -> Way:
    """Choose how to look: as asked, else a switch by hand gets the quick check.

    Coils know one way only; another that is asked for is refused where it is used.
    """
    if asked == "screen":
        return "screen"
    if asked == "in-place":
        return "in-place"
    switch = family in ("mosfet", "power-stage")
    return "screen" if asked is None and switch and not has_relays else "full"


@frozen(kw_only=True)
class Request:
    """Say which specimen, what it should be, where it comes from, and at which risk to judge.

    `position` is where a relay switch finds it; None: a person puts it into the jig. Donor and lot
    are what its siblings share.
    """

    part: PartType
    specimen: str
    who: str
    position: str | None = None
    donor: str | None = None
    lot: str | None = None
    customer_job: str | None = None
    temperature_c: float = 23.0
    u_temperature_c: float = 2.0
    risk: float | None = None
    false_reject: float = 0.01
    with_look: bool = True
    with_supply: bool = True
    #: repeat points and pairs until the verdict is settled; else the fixed numbers
    until_decided: bool = True
    #: let the readings so far choose the next frequency; else all of the sweep is taken
    adaptive: bool = False
    #: inductance under direct current: as asked, or (None) where bench and type allow it
    bias: bool | None = None
    #: the insulation between winding and core: a probe is on the core
    insulation: bool = False
    #: it is in the cooling list: its warmth is watched in any case
    lately_lifted: bool = False
    #: how a switch is looked at: every step, the quick one by hand, or on its donor board
    way: Way = "full"
    #: lead a switch into breakdown at 250 µA, beyond its rating
    breakdown: bool = False
    #: the rail that it worked on (V), for a switch whose ratings are unknown
    rail_v: float | None = None

    @property
    def coil(self) -> CoilType:
        """Give the part type of a coil; raise TypeError for another family."""
        if not isinstance(self.part, CoilType):
            raise TypeError(f"{self.part.name} is no coil")
        return self.part

    def readings(self, session: str, **blocks: Any) -> Readings:
        """Give the readings of this specimen with these blocks, made in this session."""
        return Readings(
            specimen=self.specimen,
            type=self.part.name,
            lot=self.lot or self.donor,
            temperature_c=self.temperature_c,
            session=session,
            **blocks,
        )

    def told(self, siblings: Sequence[Readings], risk: float) -> dict[str, Any]:
        """Give what the journal's `opened` event tells of this request."""
        return {
            "specimen": self.specimen,
            "type": self.part.name,
            "type_description": self.part.description,
            "type_digest": self.part.digest,
            "part": self.part,
            "assumed": self.part.assumed,
            "donor": self.donor,
            "lot": self.lot,
            "customer_job": self.customer_job,
            "position": self.position,
            "siblings": [sibling.specimen for sibling in siblings],
            "risk": risk,
            "false_reject": self.false_reject,
        }


def check_options(request: Request) -> None:
    """Raise InputError with every wish that means nothing for a part of this family."""
    coil, mosfet = request.part.family == "coil", request.part.family == "mosfet"
    wishes = (
        (request.bias is True, coil, "--bias", "coils"),
        (request.insulation, coil, "--insulation", "coils"),
        (request.adaptive, coil, "--adaptive", "coils"),
        (request.way == "screen", not coil, "--screen", "switches"),
        (request.way == "in-place", not coil, "--in-place", "switches"),
        (request.breakdown, mosfet, "--breakdown", "MOSFETs"),
        (request.rail_v is not None, not coil, "--rail", "switches"),
    )
    wrong = [f"{option} is for {of}" for asked, fits, option, of in wishes if asked and not fits]
    if wrong:
        what = request.part.family.replace("-", " ")
        raise InputError(f"{request.part.name} is a {what}: {'; '.join(wrong)}")
