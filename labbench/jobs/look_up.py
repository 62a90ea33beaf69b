"""Look things up in the records: history, one run, strike a run, what a page needs."""

from __future__ import annotations

__all__ = [
    "RunRow",
    "find_run",
    "history",
    "next_specimen",
    "page_for",
    "rebuild",
    "shelf_texts",
    "strike",
    "where_now",
]

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from attrs import evolve

from labbench.errors import InputError
from labbench.jobs.check_state import charts_of
from labbench.jobs.cooling import cooling_list
from labbench.jobs.shelf_parts import life_of, shelf_parts
from labbench.judging.reach import METHOD_WORDS
from labbench.metrology.budgets import budget_from_json
from labbench.quantities import format_si
from labbench.records.folder import DataFolder
from labbench.records.journal import JournalEvent, amend, read_journal
from labbench.records.part_life import PartLife
from labbench.records.readings_file import judgement_from_json, readings_from_json
from labbench.records.store import RunRow, Store
from labbench.reports.check_words import check_page
from labbench.reports.shelf_words import event_text, life_rows, life_text
from labbench.reports.specimen import SpecimenRecord, specimen_page
from labbench.results import Influence


def history(
    data: DataFolder, *, warn: Callable[[InputError], object] | None = None, **wanted: Any
) -> list[RunRow]:
    """Find runs, latest first; `wanted` as in Store.search. Waiting journals are ingested first.

    `warn` is told of each journal that cannot be read.
    """
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        if warn is not None:
            for problem in store.unreadable:
                warn(problem)
        return store.search(**wanted)


def shelf_texts(data: DataFolder) -> dict[str, str]:
    """Say what each event of the shelf was, by run; those that were struck are left out."""
    with Store(data.store) as store:
        return {event.run: event_text(event) for event in store.shelf()}


def where_now(data: DataFolder, specimen: str) -> str:
    """Say where a part is and what became of it; nothing for one that just lies on the shelf."""
    part = next((part for part in shelf_parts(data) if part.specimen == specimen), None)
    if part is None:
        return life_text(life_of(data, specimen))
    return life_text(part.life, is_verified_anew=part.stands)


def rebuild(data: DataFolder) -> int:
    """Fill the store anew from all journals; return how many could be read."""
    with Store(data.store) as store:
        return store.rebuild(data.journals)


def next_specimen(data: DataFolder) -> str:
    """Return the first free automatic number."""
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        name = store.next_specimen()
    # a part that still cools has its number, but no run yet
    taken = {part.specimen for part, _ in cooling_list(data)}
    while name in taken:
        name = f"D{int(name[1:]) + 1}"
    return name


def find_run(data: DataFolder, name: str) -> RunRow:
    """Find a run by its id, the beginning of it, or the latest verify run of a specimen.

    Raises InputError where there is none, or several begin so.
    """
    rows = history(data)
    exact = [row for row in rows if row.run == name]
    if exact:
        return exact[0]
    of_specimen = [row for row in rows if row.specimen == name]
    if of_specimen:
        # a specimen may have been a part of a gauge study, or be a check standard, as well
        return next((row for row in of_specimen if row.job == "verify"), of_specimen[0])
    beginning = [row for row in rows if row.run.startswith(name)]
    if len(beginning) == 1:
        return beginning[0]
    if beginning:
        raise InputError(
            f"{len(beginning)} runs begin with {name!r}: "
            + ", ".join(row.run for row in beginning[:5]),
            hint="give more of the id; `labbench history` lists them",
        )
    import difflib

    names = sorted({row.specimen for row in rows if row.specimen} | {row.run for row in rows})
    near = difflib.get_close_matches(name, names, n=1)
    raise InputError(
        f"there is no run and no specimen {name!r} in {data.root}",
        hint=f"did you mean {near[0]}?" if near else "`labbench history` lists them",
    )


def strike(data: DataFolder, name: str, *, who: str, why: str) -> RunRow:
    """Strike a mistaken run: it stays for ever, marked, and no longer counts as a sibling.

    Raises InputError when it was struck already, or without who and why.
    """
    who, why = who.strip(), why.strip()
    row = find_run(data, name)
    if row.void is not None:
        raise InputError(
            f"run {row.run} was struck already, by {row.void['who']}: {row.void['why']}"
        )
    amendment = amend(Path(row.journal), what="void", who=who, why=why)
    with Store(data.store) as store:
        store.ingest(amendment)
    return find_run(data, row.run)


def page_for(row: RunRow, data: DataFolder | None = None) -> str:
    """Return the page (HTML) for a run; raise InputError where it was never judged.

    For the check of a check standard it is the control chart up to that check, which needs the
    history in `data`.
    """
    if row.job == "check" and data is not None:
        return _check_page(row, data)
    if row.judged is not None and "word" in row.judged:
        raise InputError(
            f"run {row.run} ({row.job.replace('-', ' ')}) gave a word and has no page: "
            f"{row.judged['word']}, {row.judged.get('because', '')}".rstrip(" ,"),
            hint=f"all that was read stands in {row.journal}",
        )
    if row.judged is None or row.measured is None:
        raise InputError(
            f"run {row.run} has no verdict: it ended as {row.status or 'unfinished'}"
            + (f" ({row.reason})" if row.reason else ""),
            hint="verify the part again",
        )
    journal = read_journal(Path(row.journal))
    opened = _first(journal.events, "opened")
    measured = _first(journal.events, "measured")
    # the band is for the plot and no part of verdict/1
    verdict = {key: value for key, value in row.judged.items() if key != "band"}
    judgement = evolve(judgement_from_json(verdict), band=row.judged.get("band"))
    name = row.specimen or ""
    life = life_of(data, name) if data is not None else PartLife(specimen=name)
    since = life_rows(life, since_utc=row.opened_utc)
    return specimen_page(
        SpecimenRecord(
            judgement=judgement,
            readings=readings_from_json(row.measured),
            facts=[
                ("Part type", ": ".join(filter(None, (row.type, opened.get("type_description"))))),
                ("Specimen", row.specimen or ""),
                ("Donor board", row.donor or ""),
                ("Lot", row.lot or ""),
                ("For job", row.customer_job or ""),
                ("Siblings compared with", ", ".join(opened.get("siblings", ()))),
                ("What is assumed of the type", "; ".join(opened.get("assumed", ()))),
            ],
            measured_facts=_measured_facts(row, opened, measured, journal.note),
            risk=float(opened.get("judged_at_risk", opened.get("risk", 0.05))),
            simulated=row.simulated,
            void=row.void,
            now=life_text(life) if since else "",
            since=since,
            budgets=tuple(
                budget_from_json(item)
                for item in measured.get("budgets", ())
                if item["name"] != "dc-resistance"
            ),
            dc_budget=tuple(
                Influence(line["label"], line["u"]) for line in measured.get("dc_budget", ())
            ),
        )
    )


def _check_page(row: RunRow, data: DataFolder) -> str:
    rows = history(data, job="check", specimen=row.specimen, lot=row.lot, with_void=False)
    earlier = [r for r in reversed(rows) if r.bench == row.bench and r.judged
               and r.opened_utc <= row.opened_utc]  # fmt: skip
    if not earlier:
        raise InputError(f"run {row.run} gave no value to chart: it ended as {row.status}")
    charts = charts_of(earlier)
    broken = [f"{chart.name}: {alarm}" for chart in charts for alarm in chart.alarms]
    text = f"out of control: {'; '.join(broken)}" if broken else "no rule is broken"
    return check_page(row.specimen or "", f"{row.opened_utc[:10]}: {text}", charts,
                      simulated=row.simulated)  # fmt: skip


def _first(events: tuple[JournalEvent, ...], kind: str) -> Mapping[str, Any]:
    return next((event.data for event in events if event.kind == kind), {})


def _measured_facts(
    row: RunRow, opened: Mapping[str, Any], measured: Mapping[str, Any], note: str | None
) -> list[tuple[str, str]]:
    facts = [
        ("When", f"{row.opened_utc[:19].replace('T', ' ')} UTC"),
        ("By", row.who or ""),
        ("Bench", row.bench or ""),
        ("Run", row.run),
        ("Journal", Path(row.journal).name + (f": {note}" if note else "")),
    ]
    for role, entry in opened.get("instruments", {}).items():
        dates = [
            f"{word} {entry[key]}"
            for key, word in (("calibrated", "calibrated"), ("due", "due"))
            if entry.get(key)
        ]
        text = ", ".join([str(entry.get("identity") or entry.get("class") or ""), *dates])
        facts.append((role.replace("_", " ").capitalize(), text or "no calibration date given"))
    if compensation := measured.get("compensation"):
        facts.append(("Compensation", str(compensation)))
    if (temperature := measured.get("temperature_c")) is not None:
        u = measured.get("u_temperature_c")
        facts.append(("Temperature", f"{temperature:g} °C" + (f" ± {2 * u:g} K" if u else "")))
    facts += [
        (name, str(measured[key]))
        for key, name in (
            ("bias_network", "Bias network"),
            ("bias_compensation", "Bias network, compensation"),
            ("bias_limited_by", "Bias current limited"),
            ("bias_missing", "Inductance under bias not measured"),
            ("insulation_missing", "Insulation not measured"),
        )
        if measured.get(key)
    ]
    if method := measured.get("dc_method"):
        current = measured.get("dc_current_a")
        at = f", {format_si(current, 'A')}" if current else ""
        facts.append(("DC resistance by", METHOD_WORDS.get(str(method), str(method)) + at))
    return facts
