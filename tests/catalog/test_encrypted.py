"""What the catalog remembers of objects that stand encrypted."""

from datetime import timedelta
from typing import Any

from hypothesis import HealthCheck, given, settings, strategies as st

from backupkeeper.catalog import encrypted
from backupkeeper.catalog.store import SqliteCatalog
from backupkeeper.core.age import Encrypted
from backupkeeper.core.model import Result, Way
from tests.catalog.made import BUCKET, MAIN, NOW, content, fact, name_of, paths

PATH = "260612 Boatyard/Originals/Wide/Roll 01/A.MP4"


def made(seed: object = 1, **changes: Any) -> Encrypted:
    values: dict[str, Any] = {
        "at": NOW,
        "place": BUCKET,
        "path": PATH,
        "content": name_of(seed),
        "size": 5,
        "key": f"{PATH}.age",
        "made": content(("made", seed), size=300),
        "recipients": ("age1one", "age1two"),
    }
    return Encrypted(**(values | changes))


def test_what_was_put_is_told_the_latest_first(catalog: SqliteCatalog) -> None:
    first = made()
    second = made(made=content("anew", size=301), at=NOW + timedelta(hours=1))
    catalog.put_encrypted([first, second])
    catalog.put_encrypted([first])
    assert catalog.encrypted_at(BUCKET, PATH) == (second, first)
    assert catalog.encrypted_as(BUCKET, f"{PATH}.age") == (second, first)
    assert catalog.encrypted_at(MAIN, PATH) == catalog.encrypted_at(BUCKET, "other") == ()
    assert catalog.has_encrypted(BUCKET)
    assert not catalog.has_encrypted(MAIN)


def test_the_later_time_counts_whatever_the_order(catalog: SqliteCatalog) -> None:
    later = made(at=NOW + timedelta(days=1))
    catalog.put_encrypted([later, made()])
    assert catalog.encrypted_at(BUCKET, PATH) == (later,)
    catalog.put_encrypted([made()])
    assert catalog.encrypted_at(BUCKET, PATH) == (later,)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(names=st.lists(paths, unique=True, max_size=12), start=paths)
def test_all_that_starts_with_a_text_is_found_page_by_page(
    catalog: SqliteCatalog, names: list[str], start: str
) -> None:
    whole = [made(name, path=name, key=name) for name in names]
    catalog.put_encrypted(whole)
    for begin in ("", start, *(name[:2] for name in names)):
        raw = begin.encode("utf-8", "surrogateescape")
        found = [one.path for one in catalog.encrypted_below(BUCKET, begin)]
        wanted = {one.path.encode("utf-8", "surrogateescape") for one in whole}
        seen = [name.encode("utf-8", "surrogateescape") for name in found]
        assert {name for name in wanted if name.startswith(raw)} <= set(seen)
        assert all(name.startswith(raw) for name in seen)
        assert seen == sorted(seen)
        assert len(seen) == len(set(seen))


def test_more_than_a_page_of_one_path_comes_whole(catalog: SqliteCatalog) -> None:
    count = 2 * encrypted.PAGE + 1
    catalog.put_encrypted([made(n, made=content(n, size=n)) for n in range(count)])
    assert len(list(catalog.encrypted_below(BUCKET, PATH))) == count


def test_only_what_is_there_and_was_never_encrypted_counts_as_readable(
    catalog: SqliteCatalog,
) -> None:
    sent = {"place": BUCKET, "way": Way.ATTESTED, "cold": False, "version": "1"}
    catalog.record(
        contents=[content(n) for n in range(3)],
        facts=[
            fact(0, path="plain", **sent),
            fact(1, path=PATH, **sent),
            fact(2, path="gone", **sent),
            fact(2, path="gone", at=NOW + timedelta(hours=1), place=BUCKET, way=Way.LOOKED,
                 result=Result.MISSING),
        ],
    )  # fmt: skip
    catalog.put_encrypted([made(1)])
    assert catalog.readable_at(BUCKET) == (1, 5)
    assert catalog.readable_at(MAIN) == (0, 0)
