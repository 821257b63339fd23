"""Recipients and sizes of the format age, and what is known of keys."""

from contextlib import suppress
from datetime import UTC, datetime

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.age import (
    CHUNK_BYTES,
    HEADER_MOST,
    INTRO,
    is_recipient,
    most_encrypted_bytes,
    plain_bytes,
)
from backupkeeper.core.errors import HostileInputError
from backupkeeper.core.keys import KeysReport
from backupkeeper.transfer.age import encrypted, new_identity

GOOD = "age1tl890k2psjly2wq325nxzp9u38x7uuhlrzt7v55styq8mtt57fzsp2af8d"
"""Made by Debian's age-keygen."""


def test_a_recipient_of_another_program_is_one() -> None:
    assert is_recipient(GOOD)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="nothing"),
        pytest.param(GOOD[:-1], id="cut off"),
        pytest.param(GOOD + "q", id="too long"),
        pytest.param(GOOD.upper(), id="in capitals"),
        pytest.param("ssh1" + GOOD[4:], id="of another kind"),
        pytest.param(GOOD[:20] + "b" + GOOD[21:], id="a letter that Bech32 does not use"),
        pytest.param(GOOD[:20] + "é" + GOOD[21:], id="no ASCII"),
    ],
)
def test_what_is_no_recipient_is_none(text: str) -> None:
    assert not is_recipient(text)


@given(at=st.integers(4, 61), letter=st.sampled_from("qpzry9x8gf2tvdw0s3jn54khce6mua7l"))
def test_one_letter_that_was_copied_wrong_is_noticed(at: int, letter: str) -> None:
    other = GOOD[:at] + letter + GOOD[at + 1 :]
    assert is_recipient(other) == (other == GOOD)


def test_bits_beyond_the_key_must_be_none() -> None:
    # The checksum is right, but the last four of 260 bits are not zero: found by trying all letters.
    alphabet = "qpzry9x8gf2tvdw0s3jn54khce6mua7l"
    from backupkeeper.core import age  # noqa: PLC0415 - its inner part, to make a checksum

    data = [alphabet.index(letter) for letter in GOOD[4:-6]]
    data[-1] ^= 1
    head = [ord(letter) >> 5 for letter in "age"] + [0] + [ord(letter) & 31 for letter in "age"]
    check = age._polymod([*head, *data, *[0] * 6]) ^ 1
    digits = [check >> 5 * (5 - place) & 31 for place in range(6)]
    assert not is_recipient("age1" + "".join(alphabet[digit] for digit in (*data, *digits)))


@pytest.mark.parametrize("size", [0, 1, CHUNK_BYTES - 1, CHUNK_BYTES, CHUNK_BYTES + 1, 300_000])
@pytest.mark.parametrize("people", [1, 3])
def test_the_size_is_told_from_the_header(size: int, people: int) -> None:
    made = encrypted(bytes(size), [new_identity().recipient for _ in range(people)])
    assert plain_bytes(made[:HEADER_MOST], len(made)) == size
    assert size < len(made) <= most_encrypted_bytes(size, people)


@pytest.mark.parametrize(
    ("head", "size"),
    [
        pytest.param(b"", 0, id="nothing"),
        pytest.param(b"MZ\n--- x\n", 900, id="something else"),
        pytest.param(INTRO + b"-> X25519 abc\n", 900, id="a header without an end"),
        pytest.param(INTRO + b"--- abc", 900, id="an end without a line's end"),
        pytest.param(INTRO + b"-> a\n--- abc\n", 35, id="no payload"),
        pytest.param(INTRO + b"-> a\n--- abc\n", 60, id="less than a tag"),
        pytest.param(INTRO + b"-> a\n--- abc\n", 35 + 16 + 65552 + 16, id="an empty last chunk"),
    ],
)
def test_what_is_no_file_of_the_format_has_no_size(head: bytes, size: int) -> None:
    with pytest.raises(HostileInputError):
        plain_bytes(head, size)


@given(head=st.binary(max_size=200), size=st.integers(0, 10**6))
def test_only_hostile_input_is_ever_told(head: bytes, size: int) -> None:
    for text in (head, INTRO + head, INTRO + head + b"\n--- x\n"):
        with suppress(HostileInputError):
            assert 0 <= plain_bytes(text, size) <= size


def test_nothing_is_sent_before_a_key_was_shown() -> None:
    def report(recipients: tuple[str, ...], shown_at: datetime | None) -> KeysReport:
        return KeysReport(
            recipients=recipients, hide_names=False, identity_file="", buckets=(), shown_at=shown_at
        )

    assert report((), None).may_send
    assert not report((GOOD,), None).may_send
    assert report((GOOD,), datetime(2026, 6, 12, tzinfo=UTC)).may_send
