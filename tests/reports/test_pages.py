"""The pages: well-formed HTML that needs nothing else, escapes what it is given, repeats itself.

Does not cover how a browser lays them out.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import pytest
from attrs import evolve
from hypothesis import given, settings

from labbench.reports.overview import overview_page
from labbench.reports.plots import sweep_plot
from labbench.reports.specimen import SpecimenRecord, specimen_page
from labbench.results import (
    Contact,
    DcResistance,
    Disposition,
    DrainLeakage,
    Finding,
    Impedance,
    Influence,
    Judgement,
    Readings,
    Visual,
    WouldDecide,
)
from tests.records.samples import judgement_samples, readings_samples
from tests.reports.test_words import FIT, SHORTED, unfit

SWEEP = Impedance(
    frequency_hz=(1e3, 1e4, 1e5, 1e6),
    resistance_ohm=(1.5e-3, 1.6e-3, 3.5e-3, None),
    reactance_ohm=(2.95e-3, 2.95e-2, 0.295, None),
    u_resistance_ohm=(3e-4, 3e-4, 3e-4, None),
    u_reactance_ohm=(3e-5, 3e-5, 2e-4, None),
    status=("ok", "ok", "ok", "over-range"),
    greater_than_ohm=(None, None, None, 1e5),
)
READINGS = Readings(
    "D7", "coil-470n", impedance=SWEEP, contact=Contact(2e-4, 1e-9),
    dc_resistance=DcResistance(1.5e-3, 1e-5, 25.0), visual=Visual("fine"),
)  # fmt: skip
BAND = {
    "frequency_hz": [1e3, 1e5, 1e6],
    "inductance_h": {"lower": [3.8e-7] * 3, "upper": [5.6e-7] * 3},
    "loss_tangent": {"lower": [0.3, 0.01, 0.01], "upper": [0.6, 0.03, 0.1]},
    "explanation": {"label": "healthy", "inductance_h": [4.7e-7] * 3,
                    "loss_tangent": [0.5, 0.02, 0.05]},
}  # fmt: skip
JUDGED = evolve(FIT, band=BAND)

EVIL = """<script>alert("x")</script>&'"><img src=http://198.51.100.1/x>{{ 7*7 }}{% raw %}"""
_VOID = {"meta", "br", "img", "hr", "input", "link"}


class Strict(HTMLParser):
    """Refuse what is not closed in order; keep attributes, tags and text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.seen: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.text: list[str] = []
        self.style = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        for name, value in attrs:
            assert not name.startswith("on"), f"{tag} has {name}"
            if name in ("src", "href", "xlink:href", "action", "data", "srcset", "poster"):
                self.links.append(value or "")
            if name == "id":
                self.ids.append(value or "")
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.style += data
        self.text.append(data)


def parse(page: str) -> Strict:
    """Read a page strictly and check what holds for every page."""
    assert page.startswith("<!doctype html>")
    parser = Strict()
    parser.feed(page)
    parser.close()
    assert parser.open == []
    for tag in ("script", "iframe", "img", "link", "object", "embed", "form", "base"):
        assert tag not in parser.seen
    for link in parser.links:
        # inside the page, or a page beside it
        assert link.startswith("#") or re.fullmatch(r"[A-Za-z0-9._-]+\.html", link), link
    assert "@import" not in parser.style
    assert not re.search(r"url\((?!#)", page)
    assert len(parser.ids) == len(set(parser.ids))
    return parser


def record(judgement: Judgement = JUDGED, readings: Readings = READINGS) -> SpecimenRecord:
    return SpecimenRecord(
        judgement=judgement, readings=readings,
        facts=[("Donor board", "radar board 12"), ("Lot", "")],
        measured_facts=[("By", "tester")],
        dc_budget=(Influence("where the probes touch", 9.7e-6),), simulated=True,
    )  # fmt: skip


@settings(max_examples=20, deadline=None)
@given(judgement=judgement_samples(), readings=readings_samples())
def test_any_record_makes_a_well_formed_page_without_a_reference_outside(
    judgement: Judgement, readings: Readings
) -> None:
    parse(specimen_page(record(judgement, evolve(readings, impedance=None))))


@pytest.mark.parametrize(
    ("r", "x"),
    [
        ((1e-3, 2e-3, 3e-3), (1e-3, None, 0.3)),  # a point missing in the middle
        ((1e-3, 2e-3, 3e-3), (1e-3, 0.0, 0.3)),  # no reactance: no loss tangent there
        ((-1e-4, 2e-3, 3e-3), (-1e-3, -1e-2, -0.3)),  # short compensation overdone; capacitive
        ((None, 2e-3, None), (None, 3e-2, None)),  # one point only
        ((1e6, 1e6, 1e6), (1e-3, 1e-2, 1e-1)),  # an open winding
        ((0.0, 0.0, 0.0), (1e-3, 1e-2, 1e-1)),  # no loss at all
    ],
)
@pytest.mark.parametrize("band", [None, BAND])
def test_any_sweep_that_can_be_measured_can_be_drawn(
    r: tuple[float | None, ...], x: tuple[float | None, ...], band: dict[str, object] | None
) -> None:
    sweep = Impedance(
        frequency_hz=(1e3, 1e4, 1e5),
        resistance_ohm=r,
        reactance_ohm=x,
        u_resistance_ohm=tuple(None if value is None else 1e-4 for value in r),
        u_reactance_ohm=tuple(None if value is None else 1e-4 for value in x),
    )
    plot = sweep_plot(evolve(READINGS, impedance=sweep), evolve(FIT, band=band))
    ElementTree.fromstring(plot)
    assert ">measured</text>" in plot


@pytest.mark.parametrize("word", ["fit", "unfit", "undecided", "plausible"])
def test_every_disposition_is_told_in_letters_with_its_next_step(word: Disposition) -> None:
    judgement = evolve(JUDGED, disposition=word, would_decide=(WouldDecide("repeat", "again"),))
    page = parse(specimen_page(record(judgement)))
    assert word in "".join(page.text)
    action = {"fit": "solder it in", "unfit": "bin it", "undecided": "measure again",
              "plausible": "label it so"}[word]  # fmt: skip
    assert f"Next: {action}" in "".join(page.text)


def test_the_page_tells_everything_that_was_found() -> None:
    judgement = evolve(
        unfit(SHORTED), remarks=("saturation was not checked",), band=BAND,
        would_decide=(WouldDecide("repeat", "measure it again"),),
    )  # fmt: skip
    text = "".join(parse(specimen_page(record(judgement))).text)
    for part in (
        "Simulated bench: no real part was measured.", "radar board 12", "tester",
        "shorted turn", "or fused winding", "41 nH at 100 kHz", "376-564 nH", "fails",
        "saturation was not checked", "measure it again", "where the probes touch",
        "above 100 kΩ", "over range", "coverage 95 %", "at least 95 %",
    ):  # fmt: skip
        assert part in text, part
    assert "Lot" not in text, "an empty fact is left out"


def test_text_from_outside_stays_text() -> None:
    judgement = evolve(
        FIT, specimen=EVIL, type=EVIL, remarks=(EVIL,), disposition="unfit",
        findings=(Finding(EVIL, None, "sure", 1.0, (EVIL,), EVIL),),
        would_decide=(WouldDecide(EVIL, EVIL),), band={**BAND, "explanation": {
            **BAND["explanation"], "label": EVIL}},  # type: ignore[dict-item]
    )  # fmt: skip
    page = specimen_page(
        SpecimenRecord(
            judgement=judgement, readings=READINGS, facts=[(EVIL, EVIL)],
            measured_facts=[(EVIL, EVIL)], void={"who": EVIL, "why": EVIL, "utc": EVIL},
            dc_budget=(Influence(EVIL, 1e-6),),
        )
    )  # fmt: skip
    text = "".join(parse(page).text)
    assert text.count('<script>alert("x")</script>') >= 8
    assert "{{ 7*7 }}" in text
    parse(overview_page(EVIL, [(judgement, EVIL, "run.html")], note=EVIL))


def test_a_struck_run_says_so_before_anything_else() -> None:
    page = specimen_page(
        evolve(record(), void={"who": "tester", "why": "wrong part", "utc": "2026-11-25"})
    )
    assert page.index("Void: struck by tester") < page.index('class="word')


def test_the_same_record_makes_the_same_page_byte_for_byte() -> None:
    assert specimen_page(record()) == specimen_page(record())


def test_the_plot_holds_points_band_explanation_and_limits_and_repeats_itself() -> None:
    plot = sweep_plot(READINGS, JUDGED)
    assert plot == sweep_plot(READINGS, JUDGED)
    ElementTree.fromstring(plot)
    for text in ("measured", "healthy part expected here", "inductance", "loss tangent R/X"):
        assert f">{text}</text>" in plot
    assert sweep_plot(READINGS, FIT) != plot


def test_there_is_no_plot_without_a_point() -> None:
    assert sweep_plot(evolve(READINGS, impedance=None), FIT) == ""
    none = (None,) * 4
    nothing = evolve(SWEEP, resistance_ohm=none, reactance_ohm=none,
                     u_resistance_ohm=none, u_reactance_ohm=none)  # fmt: skip
    assert sweep_plot(evolve(READINGS, impedance=nothing), JUDGED) == ""


def test_the_overview_links_each_page_and_counts_the_words() -> None:
    entries = [
        (FIT, "radar board 12", "one.html"),
        (evolve(unfit(SHORTED), specimen="D9"), "radio board 4", "two.html"),
        (evolve(FIT, specimen="D11"), "radio board 4", "three.html"),
    ]
    page = parse(overview_page("Donor coils", entries, simulated=True))
    assert page.links == ["one.html", "two.html", "three.html"]
    text = "".join(page.text)
    assert "2 fit, 1 unfit." in text
    assert "D9" in text
    assert "no real part was measured" in text
    assert "no real part" not in "".join(parse(overview_page("Donor coils", entries)).text)


def test_a_page_of_a_switch_says_what_is_not_seen_of_switches_and_where_its_fault_sits() -> None:
    leak = Finding("leak", "drain-source", "sure", 1.0, (), "10 MΩ across it")
    readings = Readings("Q3", "nfet-30v-5m", drain_leakage=(DrainLeakage(24.0, 2e-6, 1e-9),))
    judgement = evolve(unfit(leak), specimen="Q3", type="nfet-30v-5m")
    page = specimen_page(SpecimenRecord(judgement=judgement, readings=readings))
    assert "leak, drain-source" in page
    assert "gate charge" in page
    assert "under direct current" not in page
    assert "no inductance under direct current was measured" in specimen_page(
        SpecimenRecord(judgement=JUDGED, readings=READINGS)
    )
