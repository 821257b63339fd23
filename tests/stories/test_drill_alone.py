"""The drill that the daemon makes by itself, as its worker does it, against a store that counts."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, timedelta
from pathlib import Path, PurePosixPath

import pytest

from backupkeeper.actions.drilled import drill_due, drill_warnings, drills, noted_drills
from backupkeeper.actions.sample_budget import fetched_now
from backupkeeper.core.deeds import Deed, DeedKind, DrillDue
from backupkeeper.core.drilling import DrillResult
from backupkeeper.core.errors import UsageError
from backupkeeper.core.model import Role
from backupkeeper.core.restoring import Asked
from backupkeeper.daemon.errand import Finished
from backupkeeper.daemon.shares import WORN_EVERY, Shares
from backupkeeper.ports.progress import Progress
from tests.stories.scoped_yard import ScopedYard
from tests.stories.typed import AtAdvance
from tests.stories.yard import QUIET, SHOOT, clip, tree
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

CARD = {f"DCIM/BOAT{n:04}.MP4": clip(n, 300_000) for n in range(6)}
SIZE = sum(map(len, CARD.values()))
ENFORCED = frozenset({"content-md5", "x-amz-content-sha256"})


class DrillYard(ScopedYard):
    """A yard with a bucket, a scratch folder, and the store seen from behind."""

    rules: Rules

    @property
    def scratch(self) -> Path:
        return self.root / "scratch"

    def fetched(self) -> int:
        """How many originals were fetched since the last time."""
        return len(self.asked_for())

    def asked_for(self) -> list[str]:
        """Names of originals that were fetched since the last time, as often as they were."""
        seen = [path for verb, path, _ in self.rules.seen if verb == "GET" and "MP4" in path]
        self.rules.seen.clear()
        return [PurePosixPath(path).name for path in seen]

    def due(self) -> DrillDue | None:
        with self.context() as context:
            return drill_due(context)

    def told(self) -> str:
        with self.context() as context:
            return " ".join(drill_warnings(context))

    def made(self, progress: Progress = QUIET) -> Finished:
        """What a worker does that is sent to make the drill that is due."""
        due = self.due()
        assert due is not None
        deed = Deed(kind=DeedKind.DRILL, why="", place=due.place, shoot=due.shoot)
        with self.keeper() as keeper:
            return keeper.do(deed, progress)

    def results(self) -> list[DrillResult]:
        with self.context() as context:
            return [one.result for one in noted_drills(context)]

    def in_budget(self) -> tuple[int, int]:
        with self.context() as context:
            return fetched_now(context)[self.place("Off site")]


@contextmanager
def drill_yard(root: Path, proofs: str = "", more: str = "") -> Iterator[DrillYard]:
    rules = Rules(refuses_on_put=ENFORCED, refuses_on_part=ENFORCED)
    table = f'[proofs]\ndrill_months = 1\ndrill_folder = "{root}/scratch"\n{proofs}\n{more}'
    with refusing_store(rules) as url:
        one_by_one = "distinct_devices = false\n[upload]\nparallel_parts = 1"
        yard = DrillYard(root, policy=f"{one_by_one}\n{table}")
        yard.rules = rules
        yard.scratch.mkdir()
        (yard.scratch / "mine.txt").write_text("mine")
        yard.drives()
        with yard.keeper() as keeper:
            keeper.add_bucket(
                "s3://yard/footage", role=Role.CLOUD, name="Off site", endpoint=url, profile=None
            )
        assert yard.offload(yard.card("card", CARD)).sealed
        assert not yard.upload_one(origin="Main").troubles
        yard.fetched()
        yield yard


@pytest.fixture(autouse=True)
def _store(credentials: object, at_once: object, one_loader: object) -> None:
    """As the other stories with a store."""


class Killed(BaseException):
    """As if the process were gone: nothing that is done afterwards is done."""


def kill() -> None:
    raise Killed


def only_mine(yard: DrillYard) -> bool:
    return [path.name for path in yard.scratch.iterdir()] == ["mine.txt"]


def test_a_drill_that_is_due_is_made_remembered_and_leaves_nothing(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard:
        assert yard.due() == DrillDue(
            place=yard.place("Off site"), shoot=SHOOT, size_bytes=SIZE, files=6
        )
        assert yard.told() == ""  # nothing for a person to do
        came = yard.made()
        assert (came.files, came.size_bytes, came.troubles) == (6, SIZE, ())
        assert came.said == f"{SHOOT} came back whole: 6 files, each compared."
        assert yard.fetched() == 6
        assert only_mine(yard)
        assert yard.results() == [DrillResult.BEGUN, DrillResult.RIGHT]
        assert yard.in_budget() == (SIZE, 6)
        assert yard.due() is None
        yard.clock.at += timedelta(days=31)
        assert yard.due() is not None


def test_without_a_folder_it_is_only_said_that_it_is_time(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard:
        config = (tmp_path / "config.toml").read_text()
        (tmp_path / "config.toml").write_text(config.replace(f'"{tmp_path}/scratch"', '""'))
        assert yard.due() is None
        assert "backupkeeper drill --to DIR" in yard.told()


def test_a_month_after_it_was_due_a_person_is_asked_all_the_same(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard:
        yard.made()
        yard.clock.at += timedelta(days=59)
        assert yard.told() == ""
        yard.clock.at += timedelta(days=2)
        assert "backupkeeper drill --to DIR" in yard.told()


def test_killed_it_goes_on_where_it_was_and_fetches_nothing_twice(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard:
        with pytest.raises(Killed):
            yard.made(AtAdvance(8, kill))
        (folder,) = yard.scratch.glob("drill *")
        there = list(folder.rglob("BOAT*.MP4"))
        assert there
        first = yard.asked_for()
        due = yard.due()
        assert due is not None
        assert not due.why_not
        came = yard.made()
        assert came.files == 6
        again = yard.asked_for()
        assert len(again) == len(set(again))
        assert set(again).isdisjoint(path.name for path in there)
        # What had arrived whole but had no name yet is not fetched again either.
        assert {*first, *again} == {PurePosixPath(path).name for path in CARD}
        assert only_mine(yard)
        assert yard.results() == [DrillResult.BEGUN, DrillResult.BEGUN, DrillResult.RIGHT]


def test_what_was_put_in_place_of_what_an_interrupted_drill_brought_is_no_proof(
    tmp_path: Path,
) -> None:
    with drill_yard(tmp_path) as yard:
        with pytest.raises(Killed):
            yard.made(AtAdvance(8, kill))
        (folder,) = yard.scratch.glob("drill *")
        spoiled = next(folder.rglob("BOAT*.MP4"))
        spoiled.write_bytes(b"other bytes")
        came = yard.made()
        assert came.troubles
        assert yard.results()[-1] is DrillResult.WRONG
        assert spoiled.read_bytes() == b"other bytes"
        assert "did not bring everything back right" in yard.told()


def test_the_leftovers_of_a_drill_that_is_not_gone_on_with_are_removed_by_the_next(
    tmp_path: Path,
) -> None:
    with drill_yard(tmp_path) as yard:
        with pytest.raises(Killed):
            yard.made(AtAdvance(8, kill))
        # Meanwhile a person makes it by hand, elsewhere; a month later it is due again.
        (tmp_path / "elsewhere").mkdir()
        with yard.keeper() as keeper:
            asked = Asked(what=SHOOT, to=str(tmp_path / "elsewhere"))
            keeper.drill(asked, agree=lambda _: True, progress=QUIET)
        (left,) = yard.scratch.glob("drill *")
        (left / "note.txt").write_text("a note of mine")
        yard.clock.at += timedelta(days=31)
        assert yard.made().files == 6
        assert tree(left) == {"note.txt": b"a note of mine"}


def test_what_the_store_does_not_give_now_is_gone_on_with_and_not_removed(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard:

        def busy() -> None:
            yard.rules.is_busy = True

        came = yard.made(AtAdvance(8, busy))
        assert came.files == 0  # a failure, so that it waits before it is tried again
        assert came.said.startswith("It could not be ended now, and is gone on with")
        assert yard.results() == [DrillResult.BEGUN, DrillResult.UNFINISHED]
        (folder,) = yard.scratch.glob("drill *")
        there = list(folder.rglob("BOAT*.MP4"))
        assert there
        assert yard.made().files == 0
        yard.rules.is_busy = False
        yard.fetched()
        assert yard.made().files == 6
        assert yard.fetched() == 6 - len(there)
        assert only_mine(yard)


@pytest.mark.parametrize(
    ("proofs", "more", "why"),
    [
        ("bucket_month_gb = 0.001", "", "more than a month's budget"),
        ("bucket_month_cost = 1", "", "a price is missing"),
        ("bucket_month_cost = 0.0001", "[prices]\nfetch_gb = 0.09\nrequests_1000 = 0.01", "more"),
    ],
    ids=["bytes", "no price", "money"],
)
def test_what_the_budget_does_not_hold_is_left_to_a_person(
    tmp_path: Path, proofs: str, more: str, why: str
) -> None:
    with drill_yard(tmp_path, proofs, more) as yard:
        due = yard.due()
        assert due is not None
        assert why in due.why_not
        assert f"backupkeeper drill '{SHOOT}' --to {tmp_path}/scratch" in yard.told()
        assert yard.fetched() == 0


def test_what_it_fetches_counts_towards_the_month_s_budget(tmp_path: Path) -> None:
    with drill_yard(tmp_path, f"bucket_month_gb = {SIZE / 1e9}") as yard:
        yard.made()
        assert yard.in_budget() == (SIZE, 6)
        yard.clock.at += timedelta(days=31)
        assert yard.made().files == 6  # another month
        with yard.context() as context:
            assert len(drills(context)) == 2


@pytest.mark.parametrize("case", ["not there", "in a place"])
def test_a_folder_that_cant_be_used_is_told_and_not_tried_again_for_a_day(
    tmp_path: Path, case: str
) -> None:
    with drill_yard(tmp_path) as yard:
        (yard.scratch / "mine.txt").unlink()
        yard.scratch.rmdir()
        if case == "in a place":
            yard.scratch.symlink_to(tmp_path / "Main")
        with pytest.raises(UsageError, match="The drill is not made by itself") as told:
            yard.made()
        assert "type: backupkeeper drill" in told.value.advice
        assert yard.results() == [DrillResult.DECLINED]
        due = yard.due()
        assert due is not None
        assert due.why_not
        assert due.why_not in yard.told()
        assert yard.fetched() == 0
        assert not list((tmp_path / "Main").glob("drill *"))
        yard.clock.at += timedelta(days=1, minutes=1)
        due = yard.due()
        assert due is not None
        assert not due.why_not


def test_the_loop_looks_once_an_hour_for_one_that_is_due_and_after_each(tmp_path: Path) -> None:
    with drill_yard(tmp_path) as yard, yard.context() as context:
        shares, now = Shares(context, UTC), yard.clock.at
        due = shares.drill(now)
        assert due is not None
        assert yard.made().files == 6
        assert shares.drill(now + WORN_EVERY / 2) == due
        shares.drill_ended()
        assert shares.drill(now + WORN_EVERY / 2) is None
        yard.clock.at += timedelta(days=31)
        assert shares.drill(now + WORN_EVERY) is None
        assert shares.drill(now + 2 * WORN_EVERY) is not None
