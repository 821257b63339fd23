"""Folders that come with a history in formats that this program does not write by itself."""

import hashlib
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from backupkeeper.actions.adopt import adopt_folder
from backupkeeper.core.errors import ManifestError
from backupkeeper.core.outcomes import AdoptOutcome
from backupkeeper.manifests.mhl_chain import extend_chain
from backupkeeper.manifests.mhl_model import (
    CHAIN_NAME,
    Action,
    Generation,
    ManifestFile,
    Process,
)
from backupkeeper.manifests.mhl_write import build_manifest, manifest_name
from tests.stories.scoped_yard import ScopedYard
from tests.stories.yard import QUIET, SHOOT, clip

SOUND = {"SOUND/0001.WAV": clip(1), "NOTES.TXT": b"wind\n"}
FOLDER = f"{SHOOT}/Originals/Recorder/Roll 01"
MADE = datetime(2026, 6, 12, 9, 0, tzinfo=UTC)


@pytest.fixture
def yard(tmp_path: Path) -> ScopedYard:
    made = ScopedYard(tmp_path)
    made.drives()
    return made


def put(yard: ScopedYard, form: str, said: dict[str, bytes]) -> Path:
    """The files, and a history that speaks of these bytes in one format only."""
    where = yard.root / "Main" / FOLDER
    for path, data in SOUND.items():
        (where / path).parent.mkdir(parents=True, exist_ok=True)
        (where / path).write_bytes(data)
        os.utime(where / path, (1_781_000_000, 1_781_000_000))
    files = tuple(
        ManifestFile(
            path=path,
            size=len(data),
            mtime_ns=1_781_000_000 * 10**9,
            hashes={form: hashlib.new(form, data, usedforsecurity=False).hexdigest()},
            action=Action.ORIGINAL,
            blake3=None,
        )
        for path, data in sorted(said.items())
    )
    data, _ = build_manifest(
        Generation(
            number=1,
            folder_name="Roll 01",
            started_at=MADE,
            process=Process.TRANSFER,
            hostname="elsewhere",
            tool_version="1",
            files=files,
            whole=True,
        )
    )
    name = manifest_name(1, "Roll 01", MADE)
    (where / "ascmhl").mkdir()
    (where / "ascmhl" / name).write_bytes(data)
    (where / "ascmhl" / CHAIN_NAME).write_bytes(extend_chain(None, name, data))
    return where


def adopt(yard: ScopedYard) -> AdoptOutcome:
    place = yard.place("Main")
    with yard.context() as context:
        return adopt_folder(context, place, FOLDER, QUIET)


@pytest.mark.parametrize("form", ["md5", "sha1"])
def test_what_it_says_is_compared_and_then_told_as_verified(yard: ScopedYard, form: str) -> None:
    """ASC MHL 2.0 section 6.5.1: another format after a comparison is ``verified``."""
    where = put(yard, form, SOUND)
    outcome = adopt(yard)
    assert (outcome.proven, outcome.warnings) == (2, ())
    (second,) = (where / "ascmhl").glob("0002_*.mhl")
    text = second.read_text()
    assert text.count('action="verified"') == 2
    assert 'action="original"' not in text
    assert yard.verify("Main").all_well


def test_a_file_that_it_does_not_name_is_told_as_original(yard: ScopedYard) -> None:
    where = put(yard, "md5", {"NOTES.TXT": SOUND["NOTES.TXT"]})
    assert adopt(yard).proven == 2
    (second,) = (where / "ascmhl").glob("0002_*.mhl")
    text = second.read_text()
    # In both formats, from the one read: xxh128 by ourselves, md5 because the history asks.
    assert (text.count('action="verified"'), text.count('action="original"')) == (1, 2)


def test_other_bytes_of_the_same_size_are_refused_and_nothing_is_written(yard: ScopedYard) -> None:
    where = put(yard, "md5", {**SOUND, "SOUND/0001.WAV": clip(9)})
    before = {path: path.read_bytes() for path in (where / "ascmhl").iterdir()}
    with pytest.raises(ManifestError, match="not what the manifests there say"):
        adopt(yard)
    assert {path: path.read_bytes() for path in (where / "ascmhl").iterdir()} == before


def test_a_comparison_is_never_skipped_for_what_was_read_before(yard: ScopedYard) -> None:
    """The content is known from an offload, without the format that the history speaks in."""
    yard.offload(yard.card("card", SOUND), source="Close")
    put(yard, "sha1", {**SOUND, "SOUND/0001.WAV": clip(9)})
    with pytest.raises(ManifestError):
        adopt(yard)
