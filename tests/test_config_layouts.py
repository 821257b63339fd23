"""Layouts of rolls: what could lead astray is refused, with what would be right."""

import pytest

from tests.test_config import fault

FIELDS = "each once and in a folder of its own"
BELOW = "a folder below the place"
NAMES = "folder names that any drive can hold"
LAYOUTS = {
    "no shoot": ("{source}/{roll}", FIELDS),
    "a roll twice": ("{shoot}/{source}/{roll}/{roll}", FIELDS),
    "two in one folder, so that two rolls could share it": ("{shoot}/{source}{roll}", FIELDS),
    "a field that is none": ("{shoot}/{source}/{roll}/{date}", NAMES),
    "a field with more in it": ("{shoot}/{source}/{roll}/{roll.__class__}", NAMES),
    "an absolute one": ("/{shoot}/{source}/{roll}", BELOW),
    "a slash at the end": ("{shoot}/{source}/{roll}/", BELOW),
    "up and out": ("../{shoot}/{source}/{roll}", BELOW),
    "here": ("{shoot}/./{source}/{roll}", BELOW),
    "our own folder": (".BackupKeeper/{shoot}/{source}/{roll}", '".backupkeeper", "ascmhl"'),
    "the manifest's folder": ("{shoot}/{source}/{roll}/ascmhl", '".backupkeeper", "ascmhl"'),
    "a name that exFAT can't hold": ("{shoot}/a:b/{source}/{roll}", NAMES),
    "a backslash": ("{shoot}/a\\b/{source}/{roll}", NAMES),
    "a newline": ("{shoot}/a\nb/{source}/{roll}", NAMES),
    "a dot at the end": ("{shoot}/{source}./{roll}", NAMES),
    "a name longer than any drive holds": ("{shoot}/" + "a" * 300 + "/{source}/{roll}", ""),
    "a space at the end": ("{shoot}/{source} /{roll}", NAMES),
}


@pytest.mark.parametrize("case", LAYOUTS)
def test_a_layout_that_could_lead_astray_is_refused(case: str) -> None:
    value, wanted = LAYOUTS[case]
    quoted = value.replace("\\", "\\\\").replace("\n", "\\n")
    found = fault(f'[layout]\nroll = "{quoted}"')
    assert found.key == "layout.roll"
    assert wanted in found.wanted


def test_a_layout_that_is_no_text_is_refused() -> None:
    assert "such as {shoot}" in fault("[layout]\nroll = 1").wanted
