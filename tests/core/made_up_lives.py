"""Made-up lives of copies: years of the same again and again, with whatever may happen between."""

from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from backupkeeper.core.harm import CAME_RIGHT
from backupkeeper.core.model import Blake3, Fact, PlaceId, Result, Way
from backupkeeper.core.thinning import AGAIN

NOW = datetime(2036, 6, 12, 12, tzinfo=UTC)
DRIVE = PlaceId("00000000-0000-4000-8000-000000000001")
BUCKET = PlaceId("00000000-0000-4000-8000-000000000002")
EVER = NOW - timedelta(days=5000)
ONE, OTHER = Blake3("a" * 64), Blake3("b" * 64)
OF_DRIVES = [Way.WRITTEN, Way.READBACK, Way.REHASH, Way.LOOKED, Way.PART]
OF_BUCKETS = [Way.WRITTEN, Way.ATTESTED, Way.DOWNLOADED, Way.LOOKED]


def fact(days: int, way: Way = Way.REHASH, result: Result = Result.MATCHES, **more: object) -> Fact:
    """So many days old."""
    values: dict[str, object] = {"place": DRIVE, "path": "a.mov", "content": ONE, **more}
    cold = values.pop("cold", way in {Way.REHASH, Way.READBACK})
    return Fact(at=NOW - timedelta(days=days), way=way, result=result, cold=cold, **values)  # type: ignore[arg-type] # as they are named


OF_DRIVE: list[dict[str, Any]] = [
    *[{"way": way, "result": result} for way in OF_DRIVES for result in Result],
    {"way": Way.REHASH, "cold": False},
    {"way": Way.REHASH, "note": CAME_RIGHT},
    {"way": Way.LOOKED, "version": "doubt:1"},
    {"way": Way.REHASH, "content": OTHER},
    {"way": Way.READBACK, "content": OTHER},
    {"way": Way.REHASH, "result": Result.DAMAGED, "damage": ((0, 5),)},
]
OF_BUCKET: list[dict[str, Any]] = [
    *[
        {"way": way, "result": result, "version": version}
        for way in OF_BUCKETS
        for result in Result
        for version in ("v1", "v1", "v2")
    ],
    {"way": Way.DOWNLOADED, "version": "v1", "content": OTHER},
    {"way": Way.LOOKED, "version": "v1", "content": OTHER},
]
OF_ONE_VERSION = [one for one in OF_BUCKET if one["version"] == "v1"]
GAPS = st.sampled_from([0, 1, 1, 7, 30, 90, 90, 200])


@st.composite
def life(draw: st.DrawFn, where: PlaceId, kinds: list[dict[str, Any]]) -> list[Fact]:
    """What happened to one path, one thing after another: mostly the same again and again."""
    usual = [one for one in kinds if one["way"] in AGAIN and one.get("result", Result.MATCHES) is Result.MATCHES]  # fmt: skip
    of_one = [one for one in kinds if one.get("version") in {None, "v1"}]
    allowed = draw(st.sampled_from([kinds, of_one]))
    age, made = 1300, []
    for _ in range(draw(st.integers(0, 6))):
        turn = [draw(st.sampled_from([one for one in usual if one in allowed]))]
        turn += draw(st.lists(st.sampled_from(allowed), max_size=1))
        gap, mount = draw(GAPS), draw(st.sampled_from([None, "b:1", "b:2"]))
        for _ in range(draw(st.integers(1, 4))):
            for kind in turn:
                made.append(fact(age, place=where, mount=mount, **kind))
                age -= gap
    return made


def lives(of_bucket: list[dict[str, Any]] = OF_BUCKET) -> st.SearchStrategy[frozenset[Fact]]:
    """Facts of one path on a drive and one in a bucket."""
    return st.tuples(life(DRIVE, OF_DRIVE), life(BUCKET, of_bucket)).map(
        lambda both: frozenset([*both[0], *both[1]])
    )
