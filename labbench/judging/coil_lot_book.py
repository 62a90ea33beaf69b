"""Keep what was learned of lots, and look at a part beside its siblings."""

from __future__ import annotations

__all__ = ["FloatArray", "LotBook", "LotView"]

from collections import OrderedDict
from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from labbench.judging.coil_lot import (
    LotReference,
    SiblingData,
    Unlike,
    find_reference,
    readings_vector,
)
from labbench.judging.coil_lot_tests import LOT_TEST_WEIGHTS, LotEvidence, LotTests
from labbench.judging.coil_measured import Measured, believed
from labbench.judging.coil_priors import Prior
from labbench.parts.coil_type import CoilType
from labbench.results import Readings

FloatArray = NDArray[np.float64]

#: lots kept at a time
_LOTS = 64
# The best fault has to beat "sound, but of another lot" by this much (ln of odds) where nothing
# else shows that the siblings are of the part's lot.
_ODDS_NEEDED = 0.7
# Companions this clearly (ln of the Bayes factor) of another lot than the siblings, or of theirs:
# siblings are chosen by a person who means them to be of one lot, and errs in one case of twenty
# or so.
_OTHER_LOT, _SAME_LOT = 3.0, 0.5
_LEAST_COMPANIONS = 3
_UNKNOWN_DC = 30.0


@frozen(eq=False)
class LotView:
    """Hold what the siblings say of a part.

    `evidence` is None where they cannot be used: too few, not like each other, or of another lot
    than the part seems to be.
    """

    tests: LotTests | None
    evidence: LotEvidence | None
    unlike: Unlike
    #: the part differs from its siblings as a sound part of another lot would
    other_lot: bool = False

    @property
    def usable(self) -> bool:
        """Tell whether the part was tested against its siblings."""
        return self.evidence is not None

    @property
    def reference(self) -> LotReference | None:
        """Give the reference that the part was tested against."""
        return self.tests.reference if self.tests is not None and self.usable else None

    def prior(self, of_type: Prior) -> Prior:
        """State what is expected of the part: by its lot where that is usable, else its type."""
        return self.reference.prior() if self.reference is not None else of_type

    def visible_corner_hz(self, share: float | None) -> float | None:
        """Compute the corner (Hz) up to which nine of ten loops would have been seen."""
        if self.tests is None or share is None or not self.usable:
            return None
        return self.tests.visible_corner_hz(share)


@frozen(eq=False)
class _Page:
    """Hold what is known of one lot, for parts measured at the same frequencies."""

    tests: LotTests | None
    unlike: Unlike
    #: ln of the Bayes factor that the companions are of another lot; None: too few of them
    ln_other: float | None


class LotBook:
    """Keep the references of the lots seen last."""

    def __init__(self) -> None:
        self._pages: OrderedDict[tuple[object, ...], _Page] = OrderedDict()

    def look(
        self,
        measured: Measured,
        part: CoilType,
        siblings: Sequence[Readings],
        companions: Sequence[Readings] = (),
        *,
        false_reject: float = 0.01,
    ) -> LotView:
        """Compare a part with its siblings."""
        points = measured.points
        nothing = LotView(None, None, Unlike(()))
        if len(siblings) < 2 or not len(points) or measured.open_winding is not None:
            return nothing
        page = self._page(measured, part, siblings, companions)
        if page.tests is None:
            return LotView(None, None, page.unlike)
        if page.ln_other is not None and page.ln_other > _OTHER_LOT:
            return LotView(page.tests, None, page.unlike, other_lot=True)
        vector = _vector(measured, page.tests.reference)
        if vector is None:
            return nothing
        evidence = page.tests.compare(vector[None, :])[0]
        sure_of_lot = page.ln_other is not None and page.ln_other < _SAME_LOT
        differs = evidence.p_smallest < 4.0 * false_reject / LOT_TEST_WEIGHTS
        if differs and not sure_of_lot and evidence.ln_odds_fault < _ODDS_NEEDED:
            return LotView(page.tests, None, page.unlike, other_lot=True)
        return LotView(page.tests, evidence, page.unlike)

    def _page(
        self,
        measured: Measured,
        part: CoilType,
        siblings: Sequence[Readings],
        companions: Sequence[Readings],
    ) -> _Page:
        frequency_hz = measured.points.frequency_hz
        key = (
            id(part) if not part.name else part.name,
            tuple(id(s) for s in siblings),
            tuple(id(c) for c in companions),
            frequency_hz.tobytes(),
            measured.readings.session,
        )
        page = self._pages.get(key)
        if page is None:
            page = _read(measured, part, siblings, companions)
            self._pages[key] = page
            while len(self._pages) > _LOTS:
                self._pages.popitem(last=False)
        else:
            self._pages.move_to_end(key)
        return page


def _read(
    measured: Measured,
    part: CoilType,
    siblings: Sequence[Readings],
    companions: Sequence[Readings],
) -> _Page:
    prior = measured.prior(part)
    to_c = measured.sweep_temperature_c
    data = [d for s in siblings if (d := _sibling(believed(s, part), to_c)) is not None]
    reference, unlike = find_reference(
        data, measured.points.frequency_hz, prior, part, session=measured.readings.session
    )
    if reference is None:
        return _Page(None, unlike, None)
    tests = LotTests.against(reference)
    vectors = [
        v for c in companions if (v := _vector(believed(c, part), reference)) is not None
    ]  # fmt: skip
    ln_other = None
    if len(vectors) >= _LEAST_COMPANIONS:
        ln_other = tests.ln_bayes_other_lot(np.array(vectors))
    return _Page(tests, unlike, ln_other)


def _sibling(measured: Measured, to_c: float | None) -> SiblingData | None:
    if not len(measured.points) or measured.open_winding is not None:
        return None
    impedance = measured.readings.impedance
    gain = None
    if impedance is not None and impedance.u_gain_relative is not None:
        by_frequency = dict(zip(impedance.frequency_hz, impedance.u_gain_relative, strict=True))
        gain = np.array([by_frequency[f] for f in measured.points.frequency_hz])
    dc = measured.dc_at(to_c)
    guess = max(float(measured.points.resistance_ohm[0]), 1e-6)
    return SiblingData(
        specimen=measured.readings.specimen,
        points=measured.points,
        dc_ohm=dc[0] if dc else guess,
        u_dc_ohm=dc[1] if dc else _UNKNOWN_DC * guess,
        contact_ohm=measured.contact_ohm,
        contact_h=measured.contact_h,
        gain_relative=gain,
        session=measured.readings.session,
    )


def _vector(measured: Measured, reference: LotReference) -> FloatArray | None:
    """Put a part's readings at the reference's frequencies into one vector."""
    points = measured.points
    if not len(points) or measured.open_winding is not None:
        return None
    distance = np.abs(np.log(points.frequency_hz[None, :] / reference.frequency_hz[:, None]))
    if np.any(distance.min(axis=1) > 1e-3):
        return None
    dc = measured.dc_at(measured.sweep_temperature_c)
    # not measured: as the lot has it, which is no evidence either way
    dc_ohm = dc[0] if dc else float(reference.mean[-1])
    return readings_vector(points.chosen(list(distance.argmin(axis=1))), dc_ohm)
