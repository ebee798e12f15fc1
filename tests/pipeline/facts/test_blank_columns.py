"""Columns that may be empty, and words that are not the usual ones: nothing is taken for what it is most often."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Rows = list[dict[str, Any]]
Facts = Callable[..., Rows]

TREATMENTS = """
    treatment_id | patient_id | tooth | kind    | started_on | completed_on | status    | preop_pai
    T1           | P1         | 36    | primary | 2023-01-10 | 2023-01-20   | completed | 4
"""


def test_an_instrument_is_named_by_the_use_else_by_the_list(facts: Facts) -> None:
    found = facts(
        "use_base order by use_id",
        instrument_uses="""
            use_id | treatment_id | canal | step | instrument_id | size | taper | motion     | result
            U1     | T1           | D     | 1    | I1            |      |       |            | not inspected
            U2     | T1           | D     | 2    | I1            | 30   | 0.04  | hand       | intact
            U3     | T1           | D     | 3    |               |      |       |            |
            U4     | T1           | D     | 4    |               | 25   |       | ultrasonic | other
        """,
        instruments="""
            instrument_id | size | taper | motion
            I1            | 25   | 0.06  | mixed
        """,
    )
    assert [(row["size"], row["taper"], row["motion"], row["result"], row["not_engine_driven"]) for row in found] == [
        (25, 0.06, "mixed", None, None),
        (30, 0.04, "hand", "intact", "hand instrument"),
        (None, None, None, None, "motion not recorded"),
        (25, None, "ultrasonic", "other", "ultrasonic instrument"),
    ]


def test_turning_seconds_are_not_told_where_a_motion_is_not(facts: Facts) -> None:
    uses = """
        use_id | treatment_id | canal | step | size | motion   | seconds
        U1     | T1           | D     | 1    | 15   | hand     | 40
        U2     | T1           | D     | 2    | 25   | rotation | 20
        U3     | T1           | M     | 1    | 25   |          | 20
    """
    found = {row["canal"]: row["engine_seconds"] for row in facts("canal_shaping", instrument_uses=uses)}
    assert found == {"D": 20, "M": None}


def test_surgery_recorded_as_a_treatment_is_a_later_intervention(facts: Facts) -> None:
    def outcome(kind: str | None) -> tuple[Any, ...]:
        later = {"treatment_id": "T2", "kind": kind, "started_on": "2024-06-01", "status": "in progress"}
        first = {"treatment_id": "T1", "kind": "primary", "started_on": "2023-01-10", "status": "completed"}
        rows = [
            {"patient_id": "P1", "tooth": 36, "completed_on": None, **later},
            {"patient_id": "P1", "tooth": 36, "completed_on": "2023-01-20", **first},
        ]
        (found,) = (row for row in facts("tooth_facts", treatments=rows) if row["treatment_id"] == "T1")
        return found["outcome_class"], found["intervention"]

    assert outcome("apical surgery") == ("not healed", "apical surgery")
    assert outcome("retreatment") == outcome("apexification") == ("not healed", "retreatment")
    # What is not recorded is no known failure.
    assert outcome(None) == outcome("primary") == outcome("other") == ("not seen", None)


def test_pai_is_not_read_on_a_panoramic_film(facts: Facts) -> None:
    def outcome(image: str) -> Any:
        follow_ups = f"""
            follow_up_id | treatment_id | seen_on    | image   | pai | pain  | tooth_present
            F1           | T1           | 2024-06-01 | {image} | 1   | false | true
        """
        ((row),) = facts("tooth_facts", treatments=TREATMENTS, follow_ups=follow_ups)
        return row["outcome_class"]

    assert (outcome("periapical"), outcome("panoramic"), outcome("other")) == ("healed", "undetermined", "undetermined")


def test_what_is_definitive_of_a_restoration(facts: Facts) -> None:
    def restored(word: str) -> tuple[Any, Any]:
        rows = [{"treatment_id": "T1", "tooth": 36, "status": "completed", "completed_on": "2023-01-20"}]
        rows[0] |= {"restoration": word, "restored_on": "2023-01-30", "started_on": "2023-01-10"}
        ((row),) = facts("tooth_facts", treatments=rows)
        return row["restored_after"], row["restoration_in_doubt"]

    assert restored("endocrown") == restored("bridge") == restored("crown") == (10, None)
    assert restored("temporary") == (None, None)
    assert restored("post and core") == restored("other")
    assert restored("other")[0] is None and "whether it is definitive" in restored("other")[1]


def test_where_only_faults_are_written_down_nothing_is_known_of_the_whole(facts: Facts) -> None:
    head = "use_id | treatment_id | canal | step | instrument_id | size | motion | result\n"

    def why(*results: str) -> list[Any]:
        lines = [f"U{i} | T{i} | D | 1 | I{i} | 25 | rotation | {result}\n" for i, result in enumerate(results)]
        rows = facts("instrument_facts order by instrument_id", instrument_uses=head + "".join(lines))
        return [row["not_inspected"] for row in rows]

    faults = "only faults are recorded, or no results at all: which instruments were found whole is not known"
    assert why("separated", "", "") == [faults, faults, faults]
    assert why("separated", "intact", "not inspected") == [None, None, "the result of no use is recorded"]
    assert why("separated", "separated") == [None, None]


def test_a_use_that_nobody_inspected_hides_no_known_failure(facts: Facts) -> None:
    """I1 broke in its third use, whatever was seen in the second; I2 is known whole until its third, not its fourth."""
    found = facts(
        "instrument_facts order by instrument_id",
        instrument_uses="""
            use_id | treatment_id | canal | step | instrument_id | size | motion   | started_at       | result
            U1     | T1           | D     | 1    | I1            | 25   | rotation | 2024-01-01 09:00 | intact
            U2     | T2           | D     | 1    | I1            | 25   | rotation | 2024-01-02 09:00 |
            U3     | T3           | D     | 1    | I1            | 25   | rotation | 2024-01-03 09:00 | separated
            U4     | T1           | M     | 1    | I2            | 30   | rotation | 2024-01-01 09:30 | intact
            U5     | T2           | M     | 1    | I2            | 30   | rotation | 2024-01-02 09:30 |
            U6     | T3           | M     | 1    | I2            | 30   | rotation | 2024-01-03 09:30 | intact
            U7     | T4           | M     | 1    | I2            | 30   | rotation | 2024-01-04 09:30 | not inspected
        """,
    )
    assert [(r["uses"], r["uses_watched"], r["ended_at_use"], r["not_inspected"]) for r in found] == [
        (3, 3, 3, None),
        (4, 3, None, None),
    ]
