"""What went wrong lately, and what the records of incidents lack."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from pipeline.output.text import plain
from reports.blocks import Sentence
from reports.source import Answer
from reports.words import Words, capital, count, counted, number, series, short_day, short_month

# Signals older than this were for an earlier audit to look at; common practice, no source.
RECENT_DAYS = 366


def not_told(answer: Answer, href: str) -> Sentence | None:
    """Incidents without a record that the patient was told."""
    rows = [row for row in answer.rows if "patient_informed" in row]
    if answer.missing or not rows:
        return None
    untold = sum(row["patient_informed"] is False for row in rows)
    unknown = sum(row["patient_informed"] is None for row in rows)
    said = [f"{count(untold)} {'says' if untold == 1 else 'say'} that the patient was not told"] if untold else []
    said += (
        [f"{count(unknown)} {'does' if unknown == 1 else 'do'} not say whether the patient was told"] if unknown else []
    )
    if not said:
        return None
    return Sentence(
        f"Of {counted(len(rows), 'incident')}, {series(said)}.", href, {**answer.data(), "n": str(len(rows))}
    )


def closer_together(answer: Answer, href: str, event: str, unit: str) -> Sentence | None:
    """Gaps between events of the last year that were shorter than usual; longer ones are no reason to worry."""
    if answer.missing:
        return None
    since = answer.as_of - timedelta(days=RECENT_DAYS)
    found = [
        row for row in answer.rows if "fewer" in (row.get("signal") or "") and (row["to"] or answer.as_of) >= since
    ]
    if not found:
        return None
    last = found[-1]
    said = series([s for s in plain(last["signal"]).split("; ") if "fewer" in s])
    first = found[0]["from"]
    span = f"from {short_day(first)} to {short_day(last['to'] or answer.as_of)}"
    return Sentence(
        f"{capital(event)}s came closer together {span}: {said}; the latest of {counted(len(found), 'gap')} was of "
        f"{counted(last['canals'], unit)} and {counted(last['days'], 'day')}. The cause is not told by it.",
        href,
        answer.data(last),
    )


def months_above(answer: Answer, usual: Answer, href: str) -> list[Sentence]:
    """Months of the last year above the limits of the process chart, or in a long run above its centre."""
    if answer.missing:
        return []
    since = (answer.as_of - timedelta(days=RECENT_DAYS)).strftime("%Y-%m")
    values = {row["month"]: row for row in answer.rows}
    found = []
    for signal in answer.result.signals:
        row = values.get(signal["last"]) or {}
        if signal["last"] < since or row.get("value") is None or row["value"] <= answer.result.centre:
            continue
        if signal["rule"] not in {"above the upper limit", "long run"}:
            continue
        months = dict.fromkeys((signal["first"], signal["last"]))
        what = (
            "above the upper limit of its month"
            if signal["rule"] == "above the upper limit"
            else "on the high side of the centre for a longer run than chance alone makes"
        )
        found.append(
            Sentence(f"{usual.title}, {' to '.join(map(short_month, months))}: {what}.", href, answer.data(row))
        )
    return found


def cusum_signals(words: Words, answer: Answer, usual: Answer, href: str) -> list[Sentence]:
    """Groups whose risk-adjusted sum passed a limit, however long ago, until the settings answer it.

    Those with more than expected come first: what is watched is not wished for.
    """
    if answer.missing:
        return []
    found = []
    for row in sorted(answer.rows, key=lambda row: "more" not in (row.get("signal") or "")):
        if not row.get("signal_on"):
            continue
        (by,) = answer.by
        name = words.value(by, row[by])
        group = f"dentist {plain(row[by])}" if by == "dentist" else f"{by} \u201c{name}\u201d"
        was = plain(answer.result.unit).removeprefix("teeth that ")
        found.append(
            Sentence(
                f"{usual.title}, {group}: on {short_day(_day(row['signal_on']))} the risk-adjusted sum passed its "
                f"limit, {plain(row['signal'])}; in all {count(row['events'])} of {count(row['n'])} teeth {was}, "
                f"{number(row['expected'], 1)} expected from the teeth of the others. It asks for a look and says "
                "nothing of the cause.",
                href,
                answer.data(row),
            )
        )
    return found


def lots_outside(words: Words, answer: Answer, href: str) -> list[Sentence]:
    """Lots above the 99.8 % limit; those above the 95 % limit only where more than one in twenty lots are.

    So many lie there by chance alone (Spiegelhalter 2005, Stat Med 24:1185); counting them against that share as a
    rule to speak is common practice, no source.
    """
    if answer.missing:
        return []
    rows = [row for row in answer.rows if row.get("position")]
    far = [row for row in rows if row["position"] == "above the 99.8 % limit"]
    found = [
        Sentence(
            f"{answer.title}, lot {plain(row['lot'])}: {words.full(answer.result, row, answer.measure)}, above the "
            "99.8% limit of a lot of its size. A reason to look, not a finding about the lot.",
            href,
            answer.data(row),
        )
        for row in far
    ]
    near = [row for row in rows if row["position"] == "above the 95 % limit"]
    if near and len(near) + len(far) > len(rows) / 20:
        named = series([plain(row["lot"]) for row in near[:5]]) + (
            f" and {count(len(near) - 5)} more" if len(near) > 5 else ""
        )
        found.append(
            Sentence(
                f"{counted(len(near), 'lot')} of {count(len(rows))} {'lies' if len(near) == 1 else 'lie'} above the "
                f"95% limits, more than chance alone puts there: {named}.",
                href,
                {**answer.data(), "n": str(len(near))},
            )
        )
    return found


def factors_seen(answer: Answer, href: str, text: Any) -> list[Sentence]:
    """Factors that canals with an incident had more often, after allowing for so many comparisons."""
    if answer.missing:
        return []
    of = {"any": "any incident", "separation": "separations"}
    return [
        Sentence(
            f"{capital(plain(row['factor']))}: seen more often with {of.get(row['incident'], plain(row['incident']))}, "
            f"{text(row)} times as often as in canals without it, of one tooth type. It may not be the cause.",
            href,
            answer.data(row),
        )
        for row in answer.rows
        if row.get("seen") == "seen more often"
    ]


# Below this share of canals a factor says little: those recorded may be unlike the others; common practice, no source.
SELDOM_RECORDED = 0.8


def factors_seldom_recorded(answer: Answer, href: str, text: Any) -> Sentence | None:
    """Factors that are blank in so many canals that little can be said of them."""
    if answer.missing:
        return None
    seldom: dict[str, dict[str, Any]] = {
        row["factor"]: row
        for row in answer.rows
        if row.get("recorded_share") is not None and row["recorded_share"] < SELDOM_RECORDED
    }
    if not seldom:
        return None
    named = series([f"{plain(factor)} ({text(row)})" for factor, row in seldom.items()])
    return Sentence(f"Recorded in too few canals to say much of it: {named}.", href, answer.data())


def _day(value: Any) -> date:
    return value if isinstance(value, date) else date.fromisoformat(str(value)[:10])
