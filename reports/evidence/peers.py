"""One dentist among the others of the practice: a funnel without names, and a sum of own teeth against their risks.

What is shown of others must not tell who they are: no name, no order but that of size, and nothing at all where fewer
than FEWEST_OTHERS would be shown.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Figure, File, Line, Part, Sentence, Table, prose
from reports.charts import theme
from reports.charts.cusum import Part as Cusum
from reports.charts.cusum import Tooth
from reports.charts.cusum import cusum as cusum_chart
from reports.charts.funnel import Limits, Unit, funnel
from reports.evidence.common import cannot, left_out
from reports.evidence.funnel import SHRUNKEN, adjusted_cells, ends, ratio, shrunken_note
from reports.evidence.process import SUM_HEADS, passed_words, signal_words, sums_and_limits
from reports.source import Answer
from reports.words import Words, capital, count, day, number, short_day

Row = dict[str, Any]

FEWEST_OTHERS = 3  # with fewer, who knows their own figure could tell whose the others are; common practice, no source
FEWEST_DENTISTS = 3  # below, a figure of the practice with an own one beside it tells that of the only other


def told_apart(answer: Answer) -> bool:
    """May figures of the whole practice stand beside a dentist's own? By the dentists whose figures are shown."""
    return len({row["dentist"] for row in answer.shown}) >= FEWEST_DENTISTS


NO_PRACTICE = (
    f"With fewer than {FEWEST_DENTISTS} dentists whose figures can be shown, a figure of the whole practice beside an "
    "own one would tell that of the only other: this page shows none."
)


def _who(answer: Answer, dentist: str, counted: str) -> tuple[Row | None, list[Row], list[Part]]:
    """The own row and those of the others that may be shown; else why there are none."""
    if answer.missing:
        return None, [], [cannot(answer)]
    own = answer.find(dentist=dentist)
    others = [row for row in answer.shown if row["dentist"] != dentist]
    hidden = [row for row in answer.rows if row.get("too_few") and row["dentist"] != dentist]
    if own is None or own.get("too_few"):
        return None, [], [prose(f"{answer.title}: too few own {counted} for a place in it.")]
    if own.get("estimate") is None:
        return None, [], [prose(f"{answer.title}: {plain(own['position'])}.")]
    if len(others) < FEWEST_OTHERS:
        said = (
            f"{answer.title}: not shown. Fewer than {FEWEST_OTHERS} other dentists would be shown, who could be told "
            "apart without names."
        )
        return None, [], [prose(said)]
    if len(hidden) == 1:
        said = f"{answer.title}: not shown. One other has too few, and would follow from all the others."
        return None, [], [prose(said)]
    return own, others, []


def among_peers(words: Words, id: str, answer: Answer, dentist: str) -> list[Part]:
    """The own place in the funnel of all dentists, the others without names."""
    own, others, why = _who(answer, dentist, "teeth were judged")
    if own is None:
        return why
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


def adjusted_among_peers(
    words: Words, id: str, answer: Answer, dentist: str, *, events: str, size: str, chart: bool = True
) -> list[Part]:
    """Own events against those expected of cases like the own ones, in the funnel of all dentists without names."""
    own, others, why = _who(answer, dentist, f"{size} are on record")
    if own is None:
        return why
    rows = sorted([own, *others], key=lambda row: (row["n"], row["estimate"]))  # by size: tells nobody's name
    units, limits, lines, filed = [], [], [], []
    for row in rows:
        mine = row is own
        place = plain(row["position"]).replace(" %", "%")
        who = "Own" if mine else "Another dentist"
        text = (
            f"{who}: {count(row['events'])} against {number(row['expected'], 1)} expected, ratio {ratio(row)}, {place}"
        )
        units.append(Unit(row["expected"], row["estimate"], text, f"Own {size}" if mine else "", own=mine))
        limits.append(ends(row, row["expected"]))
        data = answer.data(row)
        if not mine:
            data.pop("group")  # the question names the dentist
        cells = (f"Own {size}" if mine else who, count(row["n"]), count(row["events"]), *adjusted_cells(row), place)
        lines.append(Line(cells, data))
        filed.append({"own": mine} | {k: v for k, v in row.items() if k != "dentist"})
    place = plain(own["position"]).replace(" %", "%")
    where = f"{place} of" if place != "inside" else "inside the limits of"
    title = (
        f"{capital(events)} against those expected of {size} like the own ones: {count(own['events'])} against "
        f"{number(own['expected'], 1)}, ratio {ratio(own)}; {where} chance"
    )
    parts: list[Part] = []
    if chart:
        wide, narrow = theme.both(
            lambda width: funnel(
                units,
                limits,
                (1.0, "As expected"),
                width,
                axis=f"{capital(events)}, observed to expected; a square: own {size}, dots: others, without names",
                size_axis=f"{capital(events)} expected",
            )
        )
        parts.append(
            Figure(
                id=id,
                title=title,
                alt=f"{title}. " + "; ".join(u.text for u in units) + ".",
                wide=wide,
                narrow=narrow,
                caption=plain(answer.measure.caption or ""),
                data=answer.data(),
            )
        )
    else:
        parts.append(
            prose(Sentence(f"{title}. A place outside is a reason to look, not a grade.", data=answer.data(own)))
        )
    return [
        *parts,
        Table(
            id=f"{id}-table",
            caption=f"{capital(events)} of each dentist against those expected, by number of {size}",
            heads=("Whose", capital(size), capital(events), "Expected", f"Ratio ({words.interval})", SHRUNKEN, "Place"),
            lines=tuple(lines),
            numeric=frozenset({1, 2, 3, 4, 5}),
            data=answer.data(),
            records=True,
            folded=not chart,
            note=f"{shrunken_note(rows)} {left_out(answer)}".strip(),
            file=File(id, tuple(dict.fromkeys(k for row in filed for k in row)), filed),
        ),
    ]


# Of each measure that has a sum: what is said of teeth, and of the sum.
WATCHED = {
    "healed_share": ("were not healed", "Not healed", "Sum of what was not healed"),
    "separations_per_100_teeth": ("had an instrument separated", "With a separation", "Sum of separations"),
}


def tooth_by_tooth(words: Words, id: str, answer: Answer, dentist: str, *, quiet: bool = False) -> list[Part]:
    """Own teeth one after another, each against its own risk, and the limits that chance alone seldom passes.

    `quiet`: a sentence instead of a chart, where no limit was passed and nothing answered.
    """
    if answer.missing:
        return [cannot(answer)]
    said, head, share = WATCHED[answer.name]
    row = answer.find(dentist=dentist)
    if row is None or row.get("too_few"):
        return [
            prose(
                f"A sum of own teeth that {said} against their risks: it cannot be told. Too few teeth, own or others'."
            )
        ]
    result = answer.result
    at = [point for point in result.series if point["dentist"] == dentist]
    against = (
        f"{count(row['events'])} of {count(row['n'])} {said}, {number(row['expected'], 1)} were expected from their "
        "risks"
    )
    passed = passed_words(row)
    title = f"Own teeth one after another: {passed}; {against}"
    notes = " ".join(plain(note) for note in result.notes)
    if quiet and not row.get("signal_on") and not row.get("answered_on"):
        return [prose(Sentence(f"{title}. {plain(result.notes[-1])}", data=answer.data(row)))]
    parts, teeth = _parts(at, row.get("answered_on")), _teeth(at, row)
    wide, narrow = theme.both(
        lambda width: cusum_chart(
            teeth,
            parts,
            width,
            axis="Own teeth judged, in the order of completion" if head == "Not healed" else "Own teeth, in order",
            share=f"{share} against the risk",
        )
    )
    kept = ("number", "on", "sum", "sum_down", "limit", "limit_down")
    filed = [{k: point.get(k) for k in kept} for point in at]
    cells = (count(row["n"]), count(row["events"]), number(row["expected"], 1), *sums_and_limits(row))
    return [
        Figure(
            id=id,
            title=title,
            alt=f"{title}. Sum of more than expected nearest its limit, and that: {cells[3]}; of fewer: {cells[4]}.",
            wide=wide,
            narrow=narrow,
            caption=notes,
            data=answer.data(row),
        ),
        Table(
            id=f"{id}-table",
            caption=f"Own teeth that {said}, against their risks",
            heads=("Teeth", head, "Expected from their risks", *SUM_HEADS),
            lines=(Line((*cells, signal_words(row)), answer.data(row)),),
            numeric=frozenset(range(1, 5)),
            records=True,
            data=answer.data(row),
            file=File(id, kept, filed),
        ),
    ]


def _parts(at: list[dict[str, Any]], answered_on: Any) -> list[Cusum]:
    """The stretches of teeth that share limits; one after an answer begins anew."""
    alike = [(point["answered"], point["limit"], point["limit_down"]) for point in at]
    starts = [0, *(i for i, (before, after) in enumerate(pairwise(alike), 1) if before != after)]
    anew = {i for i in starts if i and at[i]["answered"] != at[i - 1]["answered"]}
    return [
        Cusum(at[end - 1]["number"], *alike[start][1:], _begins(at[start]["on"], answered_on) if start in anew else "")
        for start, end in pairwise([*starts, len(at)])
    ]


def _begins(on: Any, answered_on: Any) -> str:
    """Which answer the sums begin after; of earlier ones the table does not keep the day."""
    return f"answered {short_day(answered_on)}" if answered_on and on >= answered_on else "answered"


def _teeth(at: list[dict[str, Any]], row: dict[str, Any]) -> list[Tooth]:
    """Each tooth with what it tells, the first beyond each limit marked."""
    answered_on, teeth = row.get("answered_on"), []
    for point in at:
        side = next(
            (
                s
                for s, key in (("up", "up_on"), ("down", "down_on"))
                if row.get(key) == point["on"] and _beyond(point, s)
            ),
            "",
        )
        text = (
            f"Tooth {count(point['number'])}, completed {day(point['on'])}: sum of more than expected "
            f"{number(point['sum'], 1)}, of fewer {number(point['sum_down'], 1)}"
        )
        was = answered_on and point["on"] < answered_on and point["on"] == row.get("answered_signal_on")
        old = next((s for s in ("up", "down") if was and _beyond(point, s)), "")
        teeth.append(
            Tooth(
                point["number"],
                point["sum"],
                text,
                short_day(point["on"]) if side else "",
                down=point["sum_down"],
                side=side or old or "up",
                answered=bool(old) and not side,
            )
        )
    return teeth


def _beyond(point: dict[str, Any], side: str) -> bool:
    end = "" if side == "up" else "_down"
    return bool(point[f"sum{end}"] > point[f"limit{end}"] + 1e-9)
