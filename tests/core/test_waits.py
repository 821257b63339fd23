"""One and the same wait is told from many short ones."""

from backupkeeper.core.waits import Waits


def test_a_thread_that_was_not_woken_waits_since_it_was_first_seen() -> None:
    waits = Waits()
    assert waits.longest(5.0) == (0.0, "")
    waits.look({7: (3, "/a"), 8: (9, "/b")}, 10.0)
    waits.look({7: (3, "/a"), 8: (10, "/b")}, 70.0)
    assert waits.longest(100.0) == (90.0, "/a")


def test_a_thread_that_was_woken_or_ended_between_two_looks_begins_anew() -> None:
    waits = Waits()
    waits.look({7: (3, "/a")}, 10.0)
    waits.look({7: (4, "/a")}, 20.0)
    assert waits.longest(21.0) == (1.0, "/a")
    waits.look({}, 30.0)
    waits.look({7: (4, "/a")}, 40.0)
    assert waits.longest(41.0) == (1.0, "/a")
