"""What daemon and worker say to each other comes through whole, and nothing else is believed."""

import contextlib
import json
from datetime import timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.deeds import Deed, DeedKind, Strange
from backupkeeper.core.errors import ListingError
from backupkeeper.core.model import PlaceId, RollId
from backupkeeper.daemon.errand import (
    Errand,
    Failed,
    Finished,
    Moving,
    Word,
    decode_errand,
    decode_word,
    encode_errand,
    encode_word,
    line_command,
    line_told,
)

texts = st.text(st.characters(), max_size=20) | st.sampled_from(["a\udc80b", "two\nlines", '"'])
places = texts.map(PlaceId)
counts = st.integers(0, 2**60)
floats = st.floats(0, 1e9)
deeds = st.builds(
    Deed,
    kind=st.sampled_from(DeedKind),
    why=texts,
    size_bytes=counts,
    files=counts,
    place=places | st.none(),
    source=places | st.none(),
    onto=st.lists(places, max_size=3).map(tuple),
    roll=texts.map(RollId) | st.none(),
    folder=texts,
    folders=st.lists(texts, max_size=3).map(tuple),
    card=texts | st.none(),
    shoot=texts,
    source_name=texts,
    budget_s=floats | st.none(),
    asked=st.booleans(),
)
errands = st.builds(
    Errand,
    deed=deeds | st.none(),
    point=texts,
    weekly=st.booleans(),
    mounts=st.lists(texts, max_size=3).map(tuple),
    config=texts,
    ahead=st.timedeltas(timedelta(days=-4000), timedelta(days=4000)),
    line=st.none() | floats,
)
words = st.one_of(
    st.builds(
        Moving,
        what=texts,
        bytes_done=counts,
        bytes_total=counts,
        files_done=counts,
        files_total=counts,
        path=texts,
        held=st.booleans(),
        sent_bytes=counts,
        proven_files=counts,
        against_files=counts,
        against=st.lists(texts, max_size=3).map(tuple),
    ),
    st.builds(
        Finished,
        said=texts,
        size_bytes=counts,
        files=counts,
        seconds=floats,
        troubles=st.lists(st.tuples(texts, texts, texts), max_size=3).map(tuple),
        sealed=st.booleans(),
        folders=st.lists(texts, max_size=3).map(tuple),
        may_wipe=st.booleans() | st.none(),
        reasons=st.lists(texts, max_size=3).map(tuple),
        strange=st.lists(
            st.builds(Strange, place=places, folder=texts, size_bytes=counts, files=counts),
            max_size=2,
        ).map(tuple),
        free=st.lists(st.tuples(texts, counts), max_size=2).map(tuple),
        sight=texts,
    ),
    st.builds(Failed, error=texts, message=texts, advice=texts, process=counts | st.none()),
)


@given(errands)
def test_an_errand_comes_through_on_one_line(errand: Errand) -> None:
    line = encode_errand(errand)
    assert line.count(b"\n") == 1
    assert decode_errand(line) == errand


@given(words)
def test_a_word_comes_through_on_one_line(word: Word) -> None:
    line = encode_word(word)
    assert line.count(b"\n") == 1
    assert decode_word(line) == word


@given(st.none() | st.integers(0, 10**12).map(lambda thousandths: thousandths / 1000))
def test_how_much_of_the_line_may_be_taken_comes_through(limit: float | None) -> None:
    assert line_told(line_command(limit)) == (limit,)


@pytest.mark.parametrize("command", ["hold", "stop", "", "line", "line much", "line "])
def test_another_command_is_no_word_about_the_line(command: str) -> None:
    assert line_told(command) is None


_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)


@given(st.binary(max_size=50) | _values.map(lambda value: json.dumps(value).encode()))
def test_anything_else_is_refused_as_a_listing_error_and_nothing_worse(line: bytes) -> None:
    for decode in (decode_errand, decode_word):
        with pytest.raises(ListingError):
            decode(line)


@given(words, st.data())
def test_a_word_with_a_value_of_another_kind_is_refused_or_read_as_a_word(
    word: Word, data: st.DataObject
) -> None:
    told = json.loads(encode_word(word))
    key = data.draw(st.sampled_from(sorted(set(told) - {"word"})))
    told[key] = data.draw(_values)
    with contextlib.suppress(ListingError):
        decode_word(json.dumps(told).encode())


@given(errands, st.data())
def test_an_errand_that_lacks_a_key_is_refused(errand: Errand, data: st.DataObject) -> None:
    told = json.loads(encode_errand(errand))
    inner = told["deed"] if told["deed"] and data.draw(st.booleans()) else told
    known = sorted(set(inner) - {"version"})
    del inner[data.draw(st.sampled_from(known))]
    with pytest.raises(ListingError):
        decode_errand(json.dumps(told).encode())
