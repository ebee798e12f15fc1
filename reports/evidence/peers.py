"""One dentist among the others of the practice: a funnel without names, and a sum of own teeth against their risks.

What is shown of others must not tell who they are: no name, no order but that of size, and nothing at all where fewer
than FEWEST_OTHERS would be shown.
"""

from __future__ import annotations

from reports.blocks import Figure, File, Line, Part, Table, prose
from reports.charts import theme
from reports.charts.cusum import Tooth
from reports.charts.cusum import cusum as cusum_chart
from reports.charts.funnel import Limits, Unit, funnel
from reports.evidence.common import cannot, left_out
from reports.source import Answer
from reports.words import Words, count, day, number, plain, short_day

FEWEST_OTHERS = 3  # with fewer, who knows their own figure could tell whose the others are; common practice, no source
FEWEST_DENTISTS = 3  # below, a figure of the practice with an own one beside it tells that of the only other


def told_apart(answer: Answer) -> bool:
    """May figures of the whole practice stand beside a dentist's own? By the dentists whose figures are shown."""
    return len({row["dentist"] for row in answer.shown}) >= FEWEST_DENTISTS


NO_PRACTICE = (
    f"With fewer than {FEWEST_DENTISTS} dentists whose figures can be shown, a figure of the whole practice beside an "
    "own one would tell that of the only other: this page shows none."
)


def among_peers(words: Words, id: str, answer: Answer, dentist: str) -> list[Part]:
    """The own place in the funnel of all dentists, the others without names."""
    if answer.missing:
        return [cannot(answer)]
    own = answer.find(dentist=dentist)
    others = [row for row in answer.shown if row["dentist"] != dentist]
    hidden = [row for row in answer.rows if row.get("too_few") and row["dentist"] != dentist]
    if own is None or own.get("too_few"):
        return [prose(f"{answer.title}: too few own teeth were judged for a place in it.")]
    if len(others) < FEWEST_OTHERS:
        return [
            prose(
                f"{answer.title}: not shown. Fewer than {FEWEST_OTHERS} other dentists would be shown, who could be "
                "told apart without names."
            )
        ]
    if len(hidden) == 1:
        return [prose(f"{answer.title}: not shown. One other has too few teeth, and would follow from all the others.")]
    rows = sorted([own, *others], key=lambda row: (row["n"], row["estimate"]))  # by size: tells nobody's name
    places = words.decimals(answer.result)
    units, limits, lines, filed = [], [], [], []
    for row in rows:
        mine = row is own
        text = words.with_n(answer.result, row, places)
        position = plain(row["position"]).replace(" %", "%")
        who = "Own teeth" if mine else "Another dentist"
        units.append(Unit(row["n"], row["estimate"], f"{who}: {text}, {position}", who if mine else "", own=mine))
        limits.append(
            Limits(row["n"], row["limit_low_998"], row["limit_low_95"], row["limit_high_95"], row["limit_high_998"])
        )
        between = [
            f"{words.figure(answer.result, row[f'limit_low_{level}'], places)} to "
            f"{words.figure(answer.result, row[f'limit_high_{level}'], places)}"
            for level in ("95", "998")
        ]
        data = answer.data(row)
        if not mine:
            data.pop("group")  # the question names the dentist
        cells = (who, words.with_interval(answer.result, row, places), count(row["n"]), *between, position)
        lines.append(Line(cells, data))
        filed.append({"own": mine} | {k: v for k, v in row.items() if k != "dentist"})
    target = words.figure(answer.result, own["target"], places)
    place = plain(own["position"]).replace(" %", "%")
    where = f"{place} of" if place != "inside" else "inside the limits of"
    title = f"Healed share of own teeth among those of the practice's dentists: {where} chance about {target}"
    wide, narrow = theme.both(
        lambda width: funnel(
            units,
            limits,
            (own["target"], f"All: {target}"),
            width,
            axis="Healed share of each dentist; a square: own teeth, dots: others, without names",
            size_axis="Teeth judged",
            percent=True,
        )
    )
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. " + "; ".join(u.text for u in units) + ".",
            wide=wide,
            narrow=narrow,
            caption=plain(answer.measure.caption or ""),
            data=answer.data(),
        ),
        Table(
            id=f"{id}-table",
            caption="Healed share of each dentist, by number of teeth judged",
            heads=("Whose", f"Healed ({words.interval})", "Judged", "95% limits", "99.8% limits", "Place"),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4}),
            data=answer.data(),
            records=True,
            note=left_out(answer),
            file=File(id, tuple(dict.fromkeys(k for row in filed for k in row)), filed),
        ),
    ]


def tooth_by_tooth(words: Words, id: str, answer: Answer, dentist: str) -> list[Part]:
    """Own teeth one after another, each against its own risk, and the limit that chance alone seldom passes."""
    if answer.missing:
        return [cannot(answer)]
    row = answer.find(dentist=dentist)
    if row is None or row.get("too_few"):
        return [prose("A sum of own teeth against their risks: too few teeth were judged, own ones or others'.")]
    result = answer.result
    at = [point for point in result.series if point["dentist"] == dentist]
    beyond = next((point for point in at if row["signal_on"] and point["sum"] > row["limit"]), None)
    teeth = [
        Tooth(
            point["number"],
            point["sum"],
            f"Tooth {count(point['number'])}, completed {day(point['on'])}: sum {number(point['sum'], 1)}",
            short_day(point["on"]) if point is beyond else "",
        )
        for point in at
    ]
    limit, highest = number(row["limit"], 1), number(row["highest"], 1)
    against = (
        f"{count(row['events'])} of {count(row['n'])} were not healed, {number(row['expected'], 1)} were expected from "
        "their risks"
    )
    passed = f"passes its limit on {day(row['signal_on'])}" if row["signal_on"] else "stays below its limit"
    title = f"Own teeth one after another: the sum {passed}; {against}"
    wide, narrow = theme.both(
        lambda width: cusum_chart(
            teeth,
            (row["limit"], f"limit {limit}"),
            width,
            axis="Own teeth judged, in the order of completion",
            share="Sum of what was not healed beyond the risk",
        )
    )
    filed = [{k: point[k] for k in ("number", "on", "sum")} for point in at]
    lines = [
        Line(
            (
                count(row["n"]),
                count(row["events"]),
                number(row["expected"], 1),
                highest,
                limit,
                day(row["signal_on"]) if row["signal_on"] else "never",
            ),
            answer.data(row),
        )
    ]
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. Highest sum {highest}, limit {limit}.",
            wide=wide,
            narrow=narrow,
            caption=" ".join(plain(note) for note in result.notes),
            data=answer.data(row),
        ),
        Table(
            id=f"{id}-table",
            caption="Own teeth against their risks",
            heads=("Judged", "Not healed", "Expected from their risks", "Highest sum", "Limit", "Limit passed"),
            lines=tuple(lines),
            numeric=frozenset(range(1, 5)),
            records=True,
            data=answer.data(row),
            file=File(id, ("number", "on", "sum"), filed),
        ),
    ]
