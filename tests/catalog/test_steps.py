"""Transactions: whole or not at all, one inside another, across threads, programs and kills."""

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from contextlib import closing

import pytest

from backupkeeper.catalog.store import SqliteCatalog, open_catalog
from backupkeeper.core.errors import BackupkeeperError, CatalogError
from tests.catalog.made import MAIN, SECOND, Watch, fact, place, roll

ROOT = os.path.join(os.path.dirname(__file__), "..", "..")

# Records batches of facts for ever (or so many), saying so after each one is committed.
CHILD = """
import sys
from backupkeeper.catalog.store import open_catalog
from tests.catalog.made import Watch, fact

file, who, batches, size = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
catalog = open_catalog(file, clock=Watch())
for batch in range(batches):
    catalog.record(facts=[fact(n, path=f"{who}/{batch}/{n}") for n in range(size)])
    print(batch, flush=True)
catalog.close()
"""


def start(file: str, who: str, batches: int, size: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, file, who, str(batches), str(size)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )


def batches_in(catalog: SqliteCatalog, who: str) -> Counter[int]:
    return Counter(int(found.path.split("/")[1]) for found in catalog.facts_at(MAIN, below=who))


@pytest.mark.slow
@pytest.mark.parametrize("after", [1, 4, 9], ids=lambda n: f"after batch {n}")
def test_after_a_kill_every_reported_batch_is_whole_and_no_other_is_there_in_part(
    file: str, after: int
) -> None:
    size = 300
    with start(file, "child", 1_000_000, size) as child:
        assert child.stdout is not None
        reported = [int(next(child.stdout)) for _ in range(after)]
        child.send_signal(signal.SIGKILL)
        reported += [int(line) for line in child.stdout if line.endswith("\n")]
    assert child.returncode == -signal.SIGKILL
    with closing(open_catalog(file, clock=Watch())) as catalog:
        there = batches_in(catalog, "child")
        catalog.record(facts=[fact()])
    assert set(reported) <= set(there)
    assert set(there.values()) == {size}


@pytest.mark.slow
def test_two_programs_record_at_once_and_nothing_of_either_is_lost(file: str) -> None:
    with start(file, "one", 30, 20) as one, start(file, "two", 30, 20) as two:
        one.communicate()
        two.communicate()
    assert (one.returncode, two.returncode) == (0, 0)
    with closing(open_catalog(file, clock=Watch())) as catalog:
        for who in ("one", "two"):
            assert batches_in(catalog, who) == Counter(dict.fromkeys(range(30), 20))


def test_what_one_has_not_finished_the_other_does_not_see(file: str) -> None:
    with (
        closing(open_catalog(file, clock=Watch(), patience_s=0.05)) as one,
        closing(open_catalog(file, clock=Watch(), patience_s=0.05)) as two,
    ):
        with one.transaction():
            one.record(facts=[fact()])
            assert list(one.facts_at(MAIN)) == [fact()]
            assert list(two.facts_at(MAIN)) == []
            with pytest.raises(CatalogError, match="held by another program"):
                two.put_place(place())
        assert list(two.facts_at(MAIN)) == [fact()]
        two.put_place(place())
        assert one.places() == (place(),)


def test_a_step_shuts_other_writers_out_from_its_first_moment(file: str) -> None:
    """Else what it read could be outdated by the time that it writes, and SQLite would refuse it."""
    with (
        closing(open_catalog(file, clock=Watch(), patience_s=0.05)) as one,
        closing(open_catalog(file, clock=Watch(), patience_s=0.05)) as two,
    ):
        with one.transaction():
            assert one.places() == ()
            with pytest.raises(CatalogError, match="held by another program"):
                two.put_place(place())
            one.put_place(place())
        assert two.places() == (place(),)


def test_a_step_that_fails_takes_back_everything_in_it(catalog: SqliteCatalog) -> None:
    with pytest.raises(KeyboardInterrupt), catalog.transaction():  # noqa: PT012 - the step is what fails
        catalog.record(facts=[fact()])
        catalog.seal(roll([1]))
        catalog.put_place(place())
        raise KeyboardInterrupt
    assert list(catalog.facts_at(MAIN)) == []
    assert catalog.rolls() == ()
    assert catalog.places() == ()
    catalog.record(facts=[fact()])
    assert list(catalog.facts_at(MAIN)) == [fact()]


def test_a_part_that_fails_is_taken_back_and_the_rest_stays(catalog: SqliteCatalog) -> None:
    catalog.put_place(place(name="taken"))
    with catalog.transaction():
        catalog.record(facts=[fact()])
        with pytest.raises(BackupkeeperError), catalog.transaction():  # noqa: PT012 - the step is what fails
            catalog.record(facts=[fact(2)])
            catalog.put_place(place(SECOND, name="taken"))
        with catalog.transaction(), catalog.transaction():
            catalog.record(facts=[fact(3)])
    assert set(catalog.facts_at(MAIN)) == {fact(), fact(3)}


def test_after_sqlite_itself_gave_a_step_up_no_part_of_it_is_kept(catalog: SqliteCatalog) -> None:
    with pytest.raises(CatalogError), catalog.transaction():  # noqa: PT012 - the step is what fails
        catalog.record(facts=[fact()])
        catalog._connection.execute("ROLLBACK")  # as SQLite does on a full disk, by itself
        with pytest.raises(CatalogError, match="An earlier error took back everything"):
            catalog.record(facts=[fact(2)])
    assert list(catalog.facts_at(MAIN)) == []
    catalog.record(facts=[fact(3)])
    assert list(catalog.facts_at(MAIN)) == [fact(3)]


def test_another_thread_is_refused_in_words(catalog: SqliteCatalog) -> None:
    catalog.record(facts=[fact()])
    stream = catalog.facts_at(MAIN)
    said: list[str] = []

    def elsewhere() -> None:
        for use in (
            catalog.places,
            lambda: catalog.record(facts=[fact(2)]),
            lambda: next(stream),
            catalog.close,
        ):
            try:
                use()
            except CatalogError as error:
                said.append(error.message)

    thread = threading.Thread(target=elsewhere)
    thread.start()
    thread.join()
    assert len(said) == 4
    assert all("was used from another thread" in one for one in said)


def test_after_closing_it_says_so_and_closing_again_is_no_error(catalog: SqliteCatalog) -> None:
    catalog.record(facts=[fact(n, path=f"{n}") for n in range(3)])
    stream = catalog.facts_at(MAIN)
    next(stream)
    catalog.close()
    catalog.close()
    with pytest.raises(CatalogError, match="was used after it was closed"):
        catalog.places()
    with pytest.raises(CatalogError, match="was used after it was closed"):
        next(stream)
