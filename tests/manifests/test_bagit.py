"""The rules of RFC 8493, one by one, and bags that lie. Section numbers are the RFC's."""

import hashlib
from collections.abc import Mapping

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.errors import ManifestError, UsageError
from backupkeeper.manifests.bagit import decoded, encoded
from backupkeeper.manifests.bagit_read import Bag, read_bag
from backupkeeper.manifests.bagit_write import declaration, info, manifest
from tests.manifests.names_of_files import PATHS

HELLO = b"hello\n"
SUM = hashlib.sha512(HELLO).hexdigest()
OLD = b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n"
LINE = f"{SUM}  data/hello.txt\n".encode()


def made(**changed: bytes | None) -> dict[str, bytes]:
    files: dict[str, bytes | None] = {
        "data/hello.txt": HELLO,
        "bagit.txt": declaration(),
        "manifest-sha512.txt": LINE,
        **{name.replace("__", "-"): data for name, data in changed.items()},
    }
    return {path: data for path, data in files.items() if data is not None}


def read(files: Mapping[str, bytes]) -> Bag:
    return read_bag({path: len(data) for path, data in files.items()}, files.__getitem__)


def with_files(*changes: tuple[str, bytes | None]) -> dict[str, bytes]:
    files: dict[str, bytes | None] = {**made(), **dict(changes)}
    return {path: data for path, data in files.items() if data is not None}


def test_a_plain_bag_has_nothing_wrong() -> None:
    bag = read(made())
    assert (bag.faults, bag.missing, bag.extra, bag.warnings) == ((), (), (), ())
    assert bag.said == {"data/hello.txt": {"sha512": SUM}}
    assert (bag.version, sorted(bag.kinds)) == ((1, 0), ["sha512"])


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"\xef\xbb\xbf" + declaration(),  # 2.1.1: no byte order mark
        b"BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: .97\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: 1.0\n",
        declaration() + b"More: lines\n",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: zip_codec\n",
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: punycode\n",
    ],
)
def test_it_is_no_bag_without_its_two_lines(text: bytes) -> None:
    with pytest.raises(ManifestError):
        read(with_files(("bagit.txt", text)))


def test_it_is_no_bag_without_a_declaration_or_a_manifest_that_is_known() -> None:
    with pytest.raises(ManifestError, match="not there"):
        read(with_files(("bagit.txt", None)))
    with pytest.raises(ManifestError, match="no manifest"):
        read(with_files(("manifest-sha512.txt", None), ("manifest-fancy9.txt", LINE)))
    told = read(with_files(("manifest-fancy9.txt", LINE))).warnings
    assert told == ("manifest-fancy9.txt was not looked at: fancy9 is not known here.",)


def test_rules_that_are_newer_than_ours_are_told() -> None:
    text = b"BagIt-Version: 1.1\nTag-File-Character-Encoding: UTF-8\n"
    assert read(with_files(("bagit.txt", text))).faults


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "../up.txt",
        "data/../../up.txt",
        "~/home.txt",
        "~me/home.txt",
        "C:\\file",
        "\\\\server\\share",
        "data/..\\up",
        "elsewhere.txt",
        "data/a//b",
    ],
)
def test_paths_that_lead_out_are_refused(path: str) -> None:  # 5.2
    listed = LINE + f"{SUM}  {path}\n".encode()
    bag = read(with_files(("manifest-sha512.txt", listed)))
    assert [fault.path for fault in bag.faults] == [path]
    assert path not in bag.said
    assert path not in bag.missing
    tagged = LINE.replace(b"data/hello.txt", path.encode())
    if path != "elsewhere.txt":
        assert read(with_files(("tagmanifest-sha512.txt", tagged))).faults


@pytest.mark.parametrize("line", ["nothing", "12  data/hello.txt", f"{SUM}", f"{SUM[1:]} data/x"])
def test_a_line_without_the_form_is_refused(line: str) -> None:  # 2.1.3
    with pytest.raises(ManifestError, match="Line 1"):
        read(with_files(("manifest-sha512.txt", line.encode())))


def test_missing_and_extra_files_are_told() -> None:  # 3
    bag = read(with_files(("data/hello.txt", None), ("data/other.txt", b"x")))
    assert (bag.missing, bag.extra) == (("data/hello.txt",), ("data/other.txt",))
    assert not read(with_files(("notes.txt", b"x"))).extra, "another tag file is no fault"


def test_every_manifest_names_every_file() -> None:  # 2.1.3, since 1.0
    more = (("data/b", b""), ("manifest-sha256.txt", f"{'0' * 64}  data/b\n".encode()))
    assert {fault.path for fault in read(with_files(*more)).faults} == {"data/hello.txt", "data/b"}
    old = read(with_files(*more, ("bagit.txt", OLD)))
    assert (old.faults, len(old.warnings)) == ((), 2)


@pytest.mark.parametrize("other", [SUM, "0" * 128])
def test_a_path_stands_once(other: str) -> None:
    twice = ("manifest-sha512.txt", LINE + f"{other}  data/hello.txt\n".encode())
    assert read(with_files(twice)).faults
    assert bool(read(with_files(twice, ("bagit.txt", OLD))).faults) is (other != SUM)


def test_a_tag_manifest_names_the_manifests_and_no_payload() -> None:  # 2.2.1
    good = f"{'1' * 128}  manifest-sha512.txt\n".encode()
    assert not read(with_files(("tagmanifest-sha512.txt", good))).faults
    for more in ("data/hello.txt", "tagmanifest-sha512.txt"):
        text = good + f"{'1' * 128}  {more}\n".encode()
        assert read(with_files(("tagmanifest-sha512.txt", text))).faults
    assert read(with_files(("bag-info.txt", b""), ("tagmanifest-sha512.txt", b""))).faults


def test_nothing_is_fetched_and_what_should_be_is_missing() -> None:  # 2.2.3
    line = f"{SUM}  data/far.txt\n".encode()
    far = ("manifest-sha512.txt", LINE + line)
    bag = read(with_files(far, ("fetch.txt", b"http://far.example/far - data/far.txt\n")))
    assert (bag.missing, bag.faults) == (("data/far.txt",), ())
    assert bag.warnings == ("fetch.txt was read, but nothing is ever fetched.",)
    for text in (b"http://x - ../up\n", b"http://x - data/not-listed\n", b"nonsense\n"):
        assert read(with_files(("fetch.txt", text))).faults


def test_the_oxum_is_held_against_what_is_there() -> None:  # 2.2.2
    assert not read(with_files(("bag-info.txt", b"payload-oxum: 6.1\n"))).faults
    for text in (b"Payload-Oxum: 7.1\n", b"Payload-Oxum: 6.2\n", b"Payload-Oxum: many\n"):
        assert read(with_files(("bag-info.txt", text))).faults


def test_what_the_bag_says_of_itself_keeps_order_and_repeats() -> None:  # 2.2.2
    text = b"Contact-Name: A\nExternal-Identifier: 1\n  and on\nExternal-Identifier: 2\n"
    bag = read(with_files(("bag-info.txt", text + b"no label\n")))
    assert bag.info == (
        ("Contact-Name", "A"),
        ("External-Identifier", "1 and on"),
        ("External-Identifier", "2"),
    )
    assert bag.warnings == ("bag-info.txt has a line that is no label with a value.",)


def test_what_tools_are_known_to_write_wrongly_is_read_and_told() -> None:
    for wrong in (f"{SUM} *data/hello.txt", f"{SUM}  ./data/hello.txt"):
        bag = read(with_files(("manifest-sha512.txt", wrong.encode())))
        assert (list(bag.said), len(bag.warnings)) == (["data/hello.txt"], 1)
    raw = with_files(("data/a%25b", HELLO), ("data/hello.txt", None))
    raw["manifest-sha512.txt"] = f"{SUM}  data/a%25b".encode()
    bag = read(raw)
    assert (list(bag.said), len(bag.warnings)) == (["data/a%25b"], 1)


def test_lines_end_in_any_of_three_ways() -> None:
    for end in ("\n", "\r", "\r\n"):
        text = f"{SUM.upper()}\tdata/hello.txt{end}{SUM}  data/b{end}".encode()
        bag = read(with_files(("data/b", HELLO), ("manifest-sha512.txt", text)))
        assert (set(bag.said), bag.faults) == ({"data/hello.txt", "data/b"}, ())


def test_tag_files_in_another_encoding(  # 2.1.1
) -> None:
    text = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n"
    line = f"{SUM}  data/h\u00e9llo.txt\n"
    files = {
        "bagit.txt": text,
        "data/h\u00e9llo.txt": HELLO,
        "manifest-sha512.txt": line.encode("utf-16"),
    }
    assert not read(files).missing
    with pytest.raises(ManifestError, match="not in utf-16"):
        read({**files, "manifest-sha512.txt": b"\x00"})


def test_an_empty_bag_is_told() -> None:
    files = {"bagit.txt": declaration(), "manifest-sha512.txt": b""}
    assert read(files).warnings == ("There is no file in it.",)


@given(st.sets(PATHS, max_size=8), st.sampled_from(["sha256", "sha512"]))
def test_what_we_write_is_read_back_as_it_was(names: set[str], kind: str) -> None:
    wanted = {
        f"data/{name}": hashlib.new(kind, name.encode(errors="replace")).hexdigest()
        for name in names
    }
    try:
        text = manifest(wanted)
    except UsageError:
        return
    files = {**dict.fromkeys(wanted, b""), "bagit.txt": declaration(), f"manifest-{kind}.txt": text}
    bag = read(files)
    assert {path: said[kind] for path, said in bag.said.items()} == wanted
    assert (bag.faults, bag.missing, bag.extra) == ((), (), ())


@given(PATHS)
def test_encoding_and_decoding_are_inverse(path: str) -> None:
    assert decoded(encoded(path)) == path
    assert not {"\r", "\n"} & set(encoded(path))


def test_only_three_characters_are_encoded() -> None:
    """The table of STANDARDS section 2."""
    assert encoded("data/a%0Ab.txt") == "data/a%250Ab.txt"
    assert encoded("data/line\nfeed") == "data/line%0Afeed"
    assert encoded("data/100%.mov ~é") == "data/100%25.mov ~é"


def test_what_can_not_be_named_is_refused() -> None:
    with pytest.raises(UsageError, match="UTF-8"):
        manifest({"data/\udcff": SUM})
    with pytest.raises(UsageError, match="can't stand"):
        manifest({"../x": SUM})
    assert info([("A", "one\r\ntwo\n")]) == b"A: one  two\n"


_TEXTS = st.one_of(
    st.binary(max_size=300),
    st.lists(
        st.tuples(
            st.sampled_from(["sha512", SUM, SUM[:64], "12", "", "http://x -"]),
            st.sampled_from([" ", "  ", "\t", " *", "", " - "]),
            PATHS
            | st.sampled_from(["data/hello.txt", "../x", "~", "./data/hello.txt", "data/%25"]),
            st.sampled_from(["\n", "\r", "\r\n", ""]),
        ),
        max_size=5,
    ).map(lambda rows: "".join(map("".join, rows)).encode("utf-8", "surrogateescape")),
)


@given(
    declared=st.one_of(st.binary(max_size=80), st.sampled_from([declaration(), OLD])),
    tags=st.dictionaries(
        st.sampled_from(
            [
                "manifest-sha512.txt",
                "manifest-md5.txt",
                "tagmanifest-sha512.txt",
                "fetch.txt",
                "bag-info.txt",
            ]
        ),
        _TEXTS,
    ),
)
def test_whatever_stands_there_only_one_error_leaves(
    declared: bytes, tags: dict[str, bytes]
) -> None:
    files = {"data/hello.txt": HELLO, "bagit.txt": declared, **tags}
    try:
        bag = read(files)
    except ManifestError:
        return
    assert set(bag.said) <= set(files), "nothing outside is named to be read"
