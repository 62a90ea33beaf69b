"""Put what the study of MOSFETs counted into its page: goals, sound parts, faults by severity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sim.physics.devices.mosfet_faults import DRAIN_SOURCE, GATE_SOURCE
from tests.studies.switch_edges import EDGES, SPREADS_SHOWN, Edge, EdgeRow, EdgeStudy
from tests.studies.switch_severities import BANDS, Band
from tests.studies.tally import Tally, lines_of, lower_bound, upper_bound

SPREAD_WORDS = {"as assumed": "as judging assumes", "1.4 times": "1.4 times as much"}


def _names(band: Band, type_name: str, goal: str) -> bool:
    """Tell whether a band counts for a goal with this type."""
    if band.goal == "not schottky":
        return goal == "detect" and "schottky" not in type_name
    if band.goal == "gate":
        return goal == "detect" and "clamp" not in type_name
    if band.goal == "soft":
        return goal == "soft" or (goal == "detect" and "schottky" not in type_name)
    return band.goal == goal


def _rate(hits: int, count: int) -> str:
    return (
        f"{100.0 * hits / count:.1f} % of {count} (at least {100 * lower_bound(hits, count):.1f})"
    )


def gathered_edge(
    edges: Mapping[str, Mapping[str, EdgeStudy]], edge: Edge, spread: str
) -> tuple[Tally, list[EdgeRow]]:
    """Gather what was found of an edge over the types that have it, and their rows."""
    rows = [
        of_type[spread].rows[edge.name]
        for of_type in edges.values()
        if edge.name in of_type[spread].rows
    ]
    total = Tally()
    for row in rows:
        total = total.merged(row.found)
    return total, rows


def edge_lines(edges: Mapping[str, Mapping[str, EdgeStudy]]) -> list[str]:
    """Put what was found at the edges beside the oracle."""
    lines = []
    for edge in EDGES:
        for spread in SPREADS_SHOWN:
            total, rows = gathered_edge(edges, edge, spread)
            found = total.words["unfit"]
            one, every = (
                sum(row.oracle(0.01, of_all=of_all) for row in rows) / len(rows)
                for of_all in (False, True)
            )
            alone = sum(row.alone for row in rows)
            lines.append(
                (
                    edge.name,
                    spread,
                    f"{edge.goal:.0f}",
                    _rate(found, total.count),
                    f"{total.share('undecided'):.1f}",
                    f"{100.0 * alone / total.count:.0f}",
                    f"{one:.1f}",
                    f"{every:.1f}",
                    "above the oracle" if edge.goal > max(one, every) else "",
                )
            )
    return lines_of(
        ("edge", "spread of a lot", "goal", "unfit", "undecided", "unfit without siblings",
         "oracle, compared reading", "oracle, all readings", "the goal lies"),
        lines,
    )  # fmt: skip


def goal_lines(
    healthy: Mapping[str, Tally], faults: Mapping[str, Mapping[str, Tally]],
    edges: Mapping[str, Mapping[str, EdgeStudy]], small: Sequence[tuple[str, float, Tally]],
) -> list[str]:  # fmt: skip
    """Hold what was found against the goals; bounds are one-sided, 95 %."""
    by_name = {band.name: band for band in BANDS}

    def gathered(goal: str, types: Sequence[str] = ()) -> Tally:
        total = Tally()
        for type_name in types or tuple(faults):
            for name, tally in faults[type_name].items():
                if _names(by_name[name], type_name, goal):
                    total = total.merged(tally)
        return total

    rows = []
    for type_name, tally in healthy.items():
        bad = tally.words["unfit"]
        rows.append(
            (
                f"false reject, {type_name}",
                "at most 1 %",
                f"{bad} of {tally.count} (at most {100 * upper_bound(bad, tally.count):.2f} %)",
            )
        )
        hot, asked = tally.unfit_by["hot"], tally.asked_by["hot"]
        rows.append(
            (
                f"the same, hot up to 45 °C, {type_name}",
                "at most 2 %",
                f"{hot} of {asked} (at most {100 * upper_bound(hot, asked):.2f} %)",
            )
        )
    every = Tally()
    for tally in healthy.values():
        every = every.merged(tally)
    bad = every.words["unfit"]
    rows.append(
        (
            "false reject, all types",
            "at most 1 %",
            f"{bad} of {every.count} (at most {100 * upper_bound(bad, every.count):.2f} %)",
        )
    )
    for spread, wanted in (("as assumed", "at most 1 %"), ("1.4 times", "at most 3 %")):
        total = Tally()
        for of_type in edges.values():
            total = total.merged(of_type[spread].sound)
        bad = total.words["unfit"]
        rows.append(
            (
                f"false reject, all types, where a lot spreads {SPREAD_WORDS[spread]}",
                wanted,
                f"{bad} of {total.count}: {100.0 * bad / max(1, total.count):.2f} % "
                f"(at most {100 * upper_bound(bad, total.count):.2f} %)",
            )
        )
    for words, goal, wanted in (
        ("leaks 10 Ω-10 MΩ, gates, shorts, open, low breakdown", "detect", "at least 99 %"),
        ("on-resistance from +15 % up", "on-resistance", "at least 98 %"),
        ("threshold from ±0.25 V up", "threshold", "at least 98 %"),
    ):
        total = gathered(goal)
        rows.append((words, wanted, _rate(total.words["unfit"], total.count)))
    for edge in EDGES:
        total, _ = gathered_edge(edges, edge, "simulator's")
        rows.append(
            (f"exactly: {edge.name}", f"at least {edge.goal:.0f} %",
             _rate(total.words["unfit"], total.count))
        )  # fmt: skip
    schottky = faults["nfet-30v-schottky"]
    to_500k = schottky["leak drain-source, 10 Ω-10 kΩ"].merged(
        schottky["leak drain-source, 10-500 kΩ"]
    )
    rows.append(
        (
            "Schottky type, drain leak to 500 kΩ",
            "at least 95 %",
            _rate(to_500k.words["unfit"], to_500k.count),
        )
    )
    everything = Tally()
    for type_name in faults:
        for name, tally in faults[type_name].items():
            if by_name[name].goal:
                everything = everything.merged(tally)
    named = Tally()
    for type_name in faults:
        for tally in faults[type_name].values():
            named = named.merged(tally)
    rows.append(
        (
            "named right, of those called unfit",
            "at least 90 %",
            f"{100.0 * named.named / max(1, named.words['unfit']):.1f} %",
        )
    )
    clean = 100.0 * everything.words["unfit"] / everything.count
    spoiled = 100.0 * everything.unfit_by["1 of 5"] / everything.asked_by["1 of 5"]
    rows.append(
        (
            "loss of detection with one bad sibling of five",
            "at most 2 points",
            f"{clean - spoiled:.1f} points ({clean:.1f} to {spoiled:.1f} %)",
        )
    )
    for path in (DRAIN_SOURCE, GATE_SOURCE):
        for road, words in (("", "five siblings"), ("none", "no siblings")):
            found = [
                ohm for p, ohm, t in small
                if p == path
                and (t.words["unfit"] if not road else t.unfit_by[road])
                >= 0.95 * (t.count if not road else t.asked_by[road])
            ]  # fmt: skip
            wanted = {
                ("drain-source", ""): "3 GΩ",
                ("drain-source", "none"): "1 GΩ",
                ("gate-source", ""): "10 GΩ clean",
            }.get((path, road), "")
            rows.append(
                (
                    f"largest {path} leak found in 95 %, {words} (nfet-30v-5m)",
                    wanted,
                    f"{max(found, default=0.0):.0e} Ω",
                )
            )
    return lines_of(("goal", "wanted", "found"), rows)


def report(
    healthy: Mapping[str, Tally], faults: Mapping[str, Mapping[str, Tally]],
    coarse: Mapping[str, Mapping[str, Tally]], edges: Mapping[str, Mapping[str, EdgeStudy]],
    small: Sequence[tuple[str, float, Tally]], hand_ohm: Mapping[str, float], *, seed: int,
) -> str:  # fmt: skip
    """Write the page of results."""
    first = next(iter(healthy.values()))
    lines = [
        "# MOSFETs: what is found, and what sound parts cost",
        "",
        f"Seed {seed}. Lots of six from the simulator's populations (`sim/physics/devices`), each",
        "measured in the loop of the bench with the errors of one session, judged with its five",
        "lot-mates as siblings at 1 % total false reject; room 23-27 °C, parts within 1 K of it.",
        "No threshold was set on these parts: rules and shares were tried out on lots of other",
        "seeds of the same populations, which flatters them. Per cent of parts unless a count is",
        "given; bounds are one-sided, 95 % (Clopper and Pearson 1934). All populations are",
        "invented; no hardware was measured, and real spreads will differ.",
        "",
        "## Against the goals",
        "",
        *goal_lines(healthy, faults, edges, small),
        "",
        "## At the edges",
        "",
        "Where a part at the goal's edge lies near sound ones, with the spread of a lot that the",
        "simulator has, that judging assumes, and 1.4 times that. `oracle`: the most that any",
        "judging could find that knows the population, all siblings to be sound, the fault and its",
        "size, and spends the whole 1 % on it: by the compared reading alone, and by all readings",
        "that bear on it (the simulator spreads channel and leads alike, so that the ratio of two",
        "on-resistances tells more than it would of real lots). Mean over the types.",
        "",
        *edge_lines(edges),
        "",
        "## Sound parts",
        "",
        f"{first.count} of each type, every other one also hot (it came at 25 to 45 °C and nobody",
        "said so) and beside a bad sibling.",
        "",
    ]
    roads = ("none", "1 of 5", "hot", "no meter", "ohmmeter", "diode test", "readback")
    lines += lines_of(
        ("type", "unfit", "undecided", "plausible", "fit", "unfit without siblings",
         "unfit, 1 of 5 bad", "hot unfit", "hot undecided", "ohmmeter", "diode test", "readback"),
        [
            (name, *(f"{t.share(w):.2f}" for w in ("unfit", "undecided", "plausible", "fit")),
             *(f"{100.0 * t.unfit_by[r] / max(1, t.asked_by[r]):.1f}"
               for r in ("none", "1 of 5", "hot", "hot undecided", *roads[4:])))
            for name, t in healthy.items()
        ],
    )  # fmt: skip
    lines += [
        "",
        "## Faults",
        "",
        "`named`: of those called unfit, the first finding or an alternative is the truth. `none`:",
        "no siblings; `1 of 5`: one sibling replaced by a faulty part; `no meter`: supply only,",
        "where the best word is plausible. By hand: ohmmeter at 0.5 V, gate tied to source (drain",
        "below the limit below, gate below 0.83 MΩ because fingers conduct), a diode test at 1 mA",
        "(2 kΩ), the supply's readback, zeroed (2 mA). Ohmmeter limits, set on other sound parts: "
        + ", ".join(f"{name} {ohm:.2g} Ω" for name, ohm in hand_ohm.items())
        + ".",
    ]
    header = ("fault", "unfit", "undecided", "plausible", "fit", "named", "none", "1 of 5",
              "no meter", "ohmmeter", "diode test", "readback")  # fmt: skip
    for type_name, rows in faults.items():
        count = next(iter(rows.values())).count
        lines += ["", f"### {type_name}, {count} parts a row", ""]
        lines += lines_of(header, [
            (name, *(f"{t.share(w):.0f}" for w in ("unfit", "undecided", "plausible", "fit")),
             t.named_share,
             *(t.share_by(r) for r in
               ("none", "1 of 5", "no meter", "ohmmeter", "diode test", "readback")))
            for name, t in rows.items()
        ])  # fmt: skip
    lines += ["", "## With a 4.5-digit multimeter", "", "Unfit, per cent.", ""]
    lines += lines_of(
        ("fault", *coarse),
        [(band.name, *(f"{coarse[name][band.name].share('unfit'):.0f}" for name in coarse))
         for band in BANDS],
    )  # fmt: skip
    lines += ["", "## Small leaks, nfet-30v-5m", "", "Unfit, per cent.", ""]
    lines += lines_of(
        ("path", "leak", "five siblings", "no siblings"),
        [(path, f"{ohm:.0e} Ω", f"{t.share('unfit'):.0f}", t.share_by("none"))
         for path, ohm, t in small],
    )  # fmt: skip
    return "\n".join(lines) + "\n"
