"""Which condition on replacing counts, tried against a store that heeds exactly what it is told to."""

from collections.abc import Iterator
from typing import Any

import pytest
from botocore.awsrequest import AWSResponse

from backupkeeper.cloud.conditions import Replacing
from backupkeeper.core.errors import BucketUnreachableError, NameTakenError
from backupkeeper.core.model import BLOCK_BYTES
from tests.cloud.line import line_to
from tests.real.store import Opener, blocks_of, content_of, made_up
from tests.world.answers import error
from tests.world.faults import put_in
from tests.world.refusing_store import Rules, refusing_store

pytest_plugins = ["tests.real.store_fixtures"]

FORMS = {True: '"{}"', False: "{}"}
WHERE = [frozenset(), frozenset({"put"}), frozenset({"complete"}), frozenset({"put", "complete"})]


@pytest.fixture
def rules() -> Rules:
    return Rules()


@pytest.fixture
def url(rules: Rules) -> Iterator[str]:
    with refusing_store(rules) as address:
        yield address


@pytest.mark.parametrize("where", WHERE, ids=lambda where: "+".join(sorted(where)))
@pytest.mark.parametrize("quotes", [True, False])
def test_what_is_heeded_is_found_out_and_how_it_is_written(
    opened: Opener, url: str, rules: Rules, where: frozenset[str], quotes: bool
) -> None:
    rules.heeds_if_match, rules.knows_quotes = where, quotes
    bucket = opened(url, "boatyard/shelf")
    assert bucket._conditions() == Replacing(
        put=FORMS[quotes] if "put" in where else None,
        complete=FORMS[quotes] if "complete" in where else None,
    )
    assert rules.objects == {}
    assert rules.uploads == {}


@pytest.mark.parametrize("where", WHERE, ids=lambda where: "+".join(sorted(where)))
@pytest.mark.parametrize("size", [100, 4 * BLOCK_BYTES])
def test_a_race_is_called_excluded_only_where_the_store_excludes_it(
    opened: Opener, url: str, rules: Rules, where: frozenset[str], size: int
) -> None:
    rules.heeds_if_match = where
    bucket = opened(url, "boatyard/shelf")
    old, new = made_up(100), made_up(size, seed=1)
    entry = bucket.send("A001.MP4", content_of(old), blocks_of(old)).entry
    sent = bucket.send("A001.MP4", content_of(new), blocks_of(new), replacing=entry)
    assert sent.race_excluded == (("put" if size == 100 else "complete") in where)
    assert rules.objects["boatyard/shelf/A001.MP4"][0] == new


def test_a_swap_in_the_last_instant_before_complete_is_refused_by_the_store_itself(
    opened: Opener, url: str, rules: Rules
) -> None:
    rules.heeds_if_match = frozenset({"complete"})
    bucket = opened(url, "boatyard/shelf")
    old, new = made_up(100), made_up(4 * BLOCK_BYTES, seed=1)
    entry = bucket.send("A001.MP4", content_of(old), blocks_of(old)).entry
    bucket._conditions()

    def swap(request: object) -> None:
        rules.objects["boatyard/shelf/A001.MP4"] = (b"theirs", '"other"', {})

    put_in(bucket, "CompleteMultipartUpload", swap)
    with pytest.raises(NameTakenError):
        bucket.send("A001.MP4", content_of(new), blocks_of(new), replacing=entry)
    assert rules.objects["boatyard/shelf/A001.MP4"][0] == b"theirs"
    assert rules.uploads == {}


def test_a_store_that_refuses_even_the_right_condition_replaces_nothing(
    opened: Opener, url: str, rules: Rules
) -> None:
    rules.heeds_if_match = frozenset({"put"})
    bucket = opened(url, "boatyard/shelf")
    old, new = made_up(100), made_up(100, seed=1)
    entry = bucket.send("A001.MP4", content_of(old), blocks_of(old)).entry
    bucket._conditions()
    rules.knows_quotes = False
    with pytest.raises(BucketUnreachableError, match="at the same time"):
        bucket.send("A001.MP4", content_of(new), blocks_of(new), replacing=entry)
    assert rules.objects["boatyard/shelf/A001.MP4"][0] == old


def test_a_trial_of_conditions_that_breaks_off_cleans_up(
    opened: Opener, url: str, rules: Rules
) -> None:
    bucket = opened(url, "boatyard/shelf", attempts=1)

    def refuse(request: Any) -> AWSResponse:
        return error(request.url, 403, "AccessDenied")

    put_in(bucket, "CompleteMultipartUpload", refuse)
    with pytest.raises(BucketUnreachableError, match="not allowed"):
        bucket._conditions()
    assert rules.objects == {}
    assert rules.uploads == {}


def test_a_whole_object_in_answer_to_a_span_is_not_read(
    opened: Opener, url: str, rules: Rules
) -> None:
    """The store here knows no ranges, as some proxies do: it answers 200 with everything."""
    size = 64 * 1024 * 1024
    rules.objects["boatyard/shelf/A001.MP4"] = (bytes(size), '"e"', {})
    bucket = opened(url, "boatyard/shelf")
    entry = bucket.look("A001.MP4")
    assert entry is not None
    with line_to(url) as line:
        over_line = opened(line.url, "boatyard/shelf")
        with pytest.raises(BucketUnreachableError, match="a wrong byte range"):
            list(over_line.fetch_range("A001.MP4", entry, BLOCK_BYTES, 2 * BLOCK_BYTES))
        assert line.received < size // 4  # what was on its way when it was given up
    with pytest.raises(BucketUnreachableError, match="a wrong byte range"):
        list(bucket.fetch_range("A001.MP4", entry, 0, size - 1))
