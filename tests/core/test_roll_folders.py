"""From a roll's folder back to shoot, source and roll."""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.naming import may_lead_to_rolls, parse_roll_folder, roll_folder

USUAL = "{shoot}/Originals/{source}/{roll}"
TEMPLATES = [USUAL, "Media/{source}/x{shoot}y/{roll}", "{roll}/{{a}}{source}/{shoot}", "{shoot}/{source} cards/{roll}"]  # fmt: skip
WORDS = st.text(min_size=1, max_size=10)
FAIR = st.text(alphabet="aZ9é{}x y_%'~-", min_size=1, max_size=10).map(lambda text: f"a{text}b")


@given(st.sampled_from(TEMPLATES), FAIR, FAIR, FAIR)
def test_what_was_made_is_read_back(template: str, name: str, source: str, roll: str) -> None:
    made = roll_folder(template, f"260612 {name}", source, roll)
    found = parse_roll_folder(template, made)
    assert found is not None
    assert roll_folder(template, *found) == made
    parts = made.split("/")
    assert all(may_lead_to_rolls(template, "/".join(parts[:n])) for n in range(len(parts) + 1))


@given(st.sampled_from(TEMPLATES), st.lists(WORDS, max_size=5).map("/".join))
def test_nothing_is_read_that_would_not_be_made(template: str, path: str) -> None:
    found = parse_roll_folder(template, path)
    assert found is None or roll_folder(template, *found) == path


@pytest.mark.parametrize(
    ("template", "path", "expected"),
    [
        (USUAL, "260612 Boatyard/Originals/Wide/Roll 01", ("260612 Boatyard", "Wide", "Roll 01")),
        (USUAL, "260612 Boatyard/Originals/Wide", None),
        (USUAL, "260612 Boatyard/Originals/Wide/Roll 01/DCIM", None),
        (USUAL, "260612 Boatyard/originals/Wide/Roll 01", None),
        (USUAL, "260612/Originals/Wide/Roll 01", None),
        (USUAL, "261312 Boatyard/Originals/Wide/Roll 01", None),
        (USUAL, "260612 Boatyard/Originals/Wide/..", None),
        (USUAL, "260612 Boatyard/Originals//Roll 01", None),
        (USUAL, "/260612 Boatyard/Originals/Wide/Roll 01", None),
        (USUAL, "260612 Boatyard/Originals/Wide/\udcff", None),
        (USUAL, "260612 Boatyard/Originals/e\u0301/Roll 01", None),
        ("{shoot}/{source}/a{roll}a", "260612 Boatyard/Wide/a", None),
        ("{shoot}/{source}/" + "x" * 99 + "{roll}", "260612 Boatyard/Wide/" + "x" * 299, None),
        (USUAL, "", None),
    ],
)
def test_single_folders(template: str, path: str, expected: tuple[str, str, str] | None) -> None:
    assert parse_roll_folder(template, path) == expected


def test_what_can_lead_to_rolls() -> None:
    assert may_lead_to_rolls(USUAL, "")
    assert may_lead_to_rolls(USUAL, "260612 Boatyard/Originals")
    assert not may_lead_to_rolls(USUAL, "260612 Boatyard/Edits")
    assert not may_lead_to_rolls(USUAL, "Letters")
    assert not may_lead_to_rolls(USUAL, "260612 Boatyard/Originals/Wide/Roll 01/DCIM")
