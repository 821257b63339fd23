"""Streams in the format age: whole or an error, whatever cuts them, and nothing told of a key."""

import threading
from base64 import b64decode
from collections.abc import Iterator

import pytest
from hypothesis import given, settings, strategies as st

from backupkeeper.core.age import CHUNK_BYTES
from backupkeeper.core.errors import BrokenPromiseError, CiphertextError, NoKeyError, UsageError
from backupkeeper.core.model import BLOCK_BYTES
from backupkeeper.transfer import age
from tests.transfer.made_up_drives import some

KEY = "AGE-SECRET-KEY-1D4KXY0TGGNQ905PLM09AJKMXL827AR6P3AEQCSEGLMNMR7A5L2TQ08HU8H"
"""Made by Debian's age-keygen for this test, like its recipient; it opens nothing else."""
RECIPIENT = "age1tl890k2psjly2wq325nxzp9u38x7uuhlrzt7v55styq8mtt57fzsp2af8d"
BY_ANOTHER = b64decode(
    "YWdlLWVuY3J5cHRpb24ub3JnL3YxCi0+IFgyNTUxOSBzZWVhN0VDYXRPalNTL3BHcms4N2JPcHM0dm03dS9PRlR5dW5leE"
    "1uTlQ0CnYxd2w4amtoRm1kR2RZbzZtVDdoSWU4d2pCdnVkVmZ2NExDQUZoMmFiTzQKLS0tIFhxdlB0eXBDUkdiTUZwSFN6"
    "SjBBMGdPNHQvNjRqODR0N0RNVktJY21PQUkKQAsrrpbdUdSluTrR6ezYtMY8q2VcnFTZwCnIZSO32lIG2co4X/B7BJ0AuE"
    "GxzXoz1nfDxAz9iw=="
)
"""What Debian's age (another implementation) made of the line below."""
PLAIN = b"Boatyard, 12 June 2026\n"
ONE, OTHER = age.new_identity(), age.new_identity()


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    yield
    assert not [one for one in threading.enumerate() if one.name == "decrypting"]


def cut(data: bytes, size: int) -> Iterator[memoryview]:
    return (memoryview(data)[at : at + size] for at in range(0, len(data), size))


def test_what_another_implementation_encrypted_is_read() -> None:
    (key,) = age.identities_from(f"# a remark\n\n{KEY}\n".encode(), "key.txt")
    assert key.recipient == RECIPIENT
    assert age.decrypted(BY_ANOTHER, [OTHER, key], "x") == PLAIN


@settings(max_examples=25)
@given(
    size=st.one_of(st.integers(0, 300), st.integers(CHUNK_BYTES - 2, 2 * CHUNK_BYTES + 2)),
    piece=st.integers(1, 100_000),
    back=st.integers(1, 100_000),
)
def test_whatever_the_pieces_the_bytes_come_back_for_each_recipient(
    size: int, piece: int, back: int
) -> None:
    data, made = some(size, size), bytearray()
    age.encrypt(cut(data, piece), made.extend, [ONE.recipient, OTHER.recipient])
    for key in (ONE, OTHER):
        assert b"".join(age.opened(cut(bytes(made), back), [key], "x")) == data


def test_blocks_come_in_the_size_that_everybody_here_takes() -> None:
    data, made = some(1, 2 * BLOCK_BYTES + 5), list[bytes]()
    age.encrypt([data], made.append, [ONE.recipient])
    assert [len(block) for block in made[:-1]] == [BLOCK_BYTES, BLOCK_BYTES]
    plain = list(age.opened(map(memoryview, made), [ONE], "x"))
    assert [len(block) for block in plain] == [BLOCK_BYTES, BLOCK_BYTES, 5]


SMALL = age.encrypted(some(3, CHUNK_BYTES + 1000), [ONE.recipient])


@given(cut_off=st.integers(1, len(SMALL)))
def test_a_cut_off_file_is_an_error_wherever_it_ends(cut_off: int) -> None:
    with pytest.raises(CiphertextError, match="CLIP can't be decrypted"):
        age.decrypted(SMALL[:-cut_off], [ONE], "CLIP")


@given(at=st.integers(0, len(SMALL) - 1), bit=st.integers(0, 7))
def test_a_flipped_bit_is_an_error_wherever_it_is(at: int, bit: int) -> None:
    spoiled = bytearray(SMALL)
    spoiled[at] ^= 1 << bit
    with pytest.raises((CiphertextError, NoKeyError)):
        age.decrypted(bytes(spoiled), [ONE], "CLIP")


@given(data=st.binary(max_size=300))
def test_rubbish_is_an_error_of_ours(data: bytes) -> None:
    for text in (data, b"age-encryption.org/v1\n" + data, SMALL + b"x" + data):
        with pytest.raises((CiphertextError, NoKeyError)):
            age.decrypted(text, [ONE], "CLIP")


def test_without_the_right_key_it_says_so() -> None:
    with pytest.raises(NoKeyError, match="there is no key here"):
        age.decrypted(SMALL, [], "CLIP")
    with pytest.raises(NoKeyError, match="the key here does not fit"):
        age.decrypted(SMALL, [OTHER], "CLIP")
    with pytest.raises(NoKeyError, match="none of the keys here fits"):
        age.decrypted(SMALL, [OTHER, age.new_identity()], "CLIP")


@pytest.mark.parametrize(
    "error", [ConnectionResetError("gone"), KeyboardInterrupt(), MemoryError()]
)
def test_what_the_source_or_the_sink_raised_leaves_as_it_is(error: BaseException) -> None:
    def broken() -> Iterator[memoryview]:
        yield memoryview(some(1, CHUNK_BYTES * 3))
        raise error

    def full(data: bytes) -> None:
        raise error

    with pytest.raises(type(error)):
        age.encrypt(broken(), lambda data: None, [ONE.recipient])
    with pytest.raises(type(error)):
        age.encrypt([some(1, BLOCK_BYTES)], full, [ONE.recipient])

    def broken_later() -> Iterator[memoryview]:
        yield memoryview(SMALL[:-500])
        raise error

    with pytest.raises(type(error)):
        list(age.opened(broken_later(), [ONE], "CLIP"))


def test_reading_may_end_early() -> None:
    blocks = age.opened(map(memoryview, [age.encrypted(bytes(3 * BLOCK_BYTES), [ONE.recipient])]),
                        [ONE], "CLIP")  # fmt: skip
    assert len(next(blocks)) == BLOCK_BYTES
    del blocks


def test_nobody_to_encrypt_for_is_a_bug() -> None:
    for nobody in ([], ["age1nobody"]):
        with pytest.raises(BrokenPromiseError):
            age.encrypt([b"x"], lambda data: None, nobody)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        pytest.param("", "holds no key", id="nothing"),
        pytest.param("# only a remark", "holds no key", id="remarks"),
        pytest.param(RECIPIENT, "is a recipient, the public half", id="the public half"),
        pytest.param(KEY[:-1] + "7", "Line 1 of key.txt is no key", id="a letter is wrong"),
        pytest.param(KEY[:-1], "Line 1 of key.txt is no key", id="cut off"),
        pytest.param(f"#\n{KEY}\nhunter2", "Line 3 of key.txt is no key", id="something else too"),
        pytest.param("age-encryption.org/v1\n-> scrypt", "itself encrypted", id="encrypted itself"),
    ],
)
def test_a_file_without_a_key_is_told_and_nothing_of_it_is_shown(text: str, told: str) -> None:
    with pytest.raises(UsageError) as caught:
        age.identities_from(text.encode(), "key.txt")
    assert told in str(caught.value)
    for secret in (KEY[20:40], "hunter2"):
        assert secret not in str(caught.value)


def test_a_key_shows_nothing_of_itself() -> None:
    assert "SECRET" not in repr(ONE)
    assert "SECRET" not in f"{[ONE]}{ONE.recipient}"
