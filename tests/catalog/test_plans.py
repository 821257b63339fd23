"""Questions stay quick at two million files: no plan walks over a whole table of facts or copies."""

from typing import Any

import pytest

from backupkeeper.catalog import events, reading
from backupkeeper.catalog.store import SqliteCatalog

EVENT = {"kind": "ran", "at": 0, "subject": b"", "detail": b"", "first": 0, "page": 1, "before": 1}
QUESTIONS: dict[str, tuple[str, Any]] = {
    "the sieve": (reading.SIEVE, {"place": 1, "since": 0, "latest": 1, "counts_from": 0}),
    "what a place holds": (reading.HOLDINGS, {"place": "x"}),
    "what a place may lack of a roll": (reading.UNSENT, {"roll": "x", "place": "x"}),
    "facts of copies": (reading._FACTS.format(since=0), [1] * reading.MARKS.count("?")),
    "events of a kind": (events.OF_KIND, EVENT),
    "events of a subject": (events.OF_SUBJECT, EVENT),
    "the latest events": (events.LATEST, EVENT),
    "old events": (events.THIN, EVENT),
}
SMALL = {"r", "s", "subjects", "m", "missed", "gone"}
"""What may be walked over whole: the sieve looks at every roll, the latest events are those
of each subject, and of what a place holds all that was ever missing is taken off."""


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_is_answered_by_indices(catalog: SqliteCatalog, question: str) -> None:
    statement, values = QUESTIONS[question]
    plan = [
        row[3] for row in catalog._connection.execute(f"EXPLAIN QUERY PLAN {statement}", values)
    ]
    walked = {step.split()[1] for step in plan if step.startswith("SCAN ")}
    assert walked <= SMALL, plan
    assert not any("AUTOMATIC" in step or "TEMP B-TREE" in step for step in plan), plan


def test_the_sieve_looks_up_each_file_by_its_content_not_by_walking_its_rolls_folder(
    catalog: SqliteCatalog,
) -> None:
    """Seen in the benchmark: `mirror` with nothing to do on one roll of 100,000 files took hours."""
    values = {"place": 1, "since": 0, "latest": 1, "counts_from": 0}
    plan = [
        row[3] for row in catalog._connection.execute(f"EXPLAIN QUERY PLAN {reading.SIEVE}", values)
    ]
    per_file = [step for step in plan if step.startswith("SEARCH c") and "LEFT-JOIN" in step]
    assert per_file == [
        "SEARCH c USING INDEX copies_by_content (content=? AND place=?) LEFT-JOIN"
    ], plan
