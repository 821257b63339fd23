"""What folders that were there before are called, by their paths and by the person's word."""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.adopting import (
    BY_DATES,
    AdoptAll,
    AdoptPlan,
    AdoptWish,
    FoundFolder,
    FoundRoll,
    Named,
    dated,
    named_by_dates,
    named_by_wish,
    suggested,
    validate_wish,
    why_not_named,
)
from backupkeeper.core.errors import UsageError
from backupkeeper.core.naming import validate_part, validate_shoot
from backupkeeper.core.outcomes import Trouble
from tests.manifests.names_of_files import PATHS

SHOOT = "260612 Boatyard"


@pytest.mark.parametrize(
    "name",
    ["260612 Boatyard", "20260612 Boatyard", "2026-06-12 Boatyard", "2026_06_12_Boatyard",
     "26.06.12 - Boatyard", "260612_Boatyard", "260612-Boatyard"],
)  # fmt: skip
def test_a_date_year_first_and_a_name_are_a_shoot(name: str) -> None:
    assert dated(name) == SHOOT


@pytest.mark.parametrize(
    "name",
    ["Boatyard", "2026", "260612", "2026-06-12", "261312 Boatyard", "2026-06_12 Boatyard",
     "12-06-2026 Boatyard", "260612 a:b", "260612Boatyard", ""],
)  # fmt: skip
def test_anything_else_is_none(name: str) -> None:
    assert dated(name) is None


@pytest.mark.parametrize(
    "folder",
    [
        "2026-06-12 Boatyard/Wide/Card 1",
        "Jobs/2026-06-12 Boatyard/Wide/Card 1",
        "2026-06-12 Boatyard/FOOTAGE/Wide/Card 1",
        "260612 Boatyard/Wide/Cards/Card 1",
    ],
)
def test_a_source_and_a_roll_below_one_dated_folder_are_a_name(folder: str) -> None:
    assert named_by_dates(folder) == Named(shoot=SHOOT, source="Wide", roll="Card 1", why=BY_DATES)


@pytest.mark.parametrize(
    ("folder", "why", "options"),
    [
        ("Old/Wide/Card 1", "no folder above", ("--layout", "*/{source}/{roll}", "--shoot", "YYMMDD NAME")),
        ("Card 1", "no folder above",
         ("--layout", "{roll}", "--shoot", "YYMMDD NAME", "--source", "NAME")),
        ("260612 Boatyard", "neither", ("--layout", "{shoot}", "--source", "NAME", "--roll", "NAME")),
        ("X/260612 Boatyard/Wide", "may be", ("--layout", "*/{shoot}/{roll}", "--source", "NAME")),
        ("260612 Boatyard/Day/Wide/Card", "not clear", ("--layout", "{shoot}/*/{source}/{roll}")),
        ("260612 Boatyard/260613 Boatyard/Wide", "several",
         ("--layout", "*/{source}/{roll}", "--shoot", "YYMMDD NAME")),
        ("260612 Boatyard/a:b/Card", "not clear", ("--layout", "{shoot}/{source}/{roll}")),
    ],
)  # fmt: skip
def test_what_is_not_said_is_asked_for(folder: str, why: str, options: tuple[str, ...]) -> None:
    assert named_by_dates(folder) is None
    assert why in why_not_named(folder)
    assert suggested(folder) == options


@pytest.mark.parametrize(
    ("wish", "folder", "name"),
    [
        (AdoptWish(place="Main", layout="{shoot}/{source}/{roll}"), "20260612_Boatyard/A/1", ("A", "1")),
        (AdoptWish(place="Main", layout="*/{shoot}/Cam {source}/{roll}"),
         "x/260612 Boatyard/Cam A/1", ("A", "1")),
        (AdoptWish(place="Main", layout="{shoot}/Raw/{roll}", source="B"),
         "260612 Boatyard/Raw/1", ("B", "1")),
        (AdoptWish(place="Main", shoot=SHOOT, source="C", roll="2"), "", ("C", "2")),
    ],
)  # fmt: skip
def test_the_persons_own_pattern_names_a_folder(
    wish: AdoptWish, folder: str, name: tuple[str, str]
) -> None:
    named = named_by_wish(validate_wish(wish), folder)
    assert named is not None
    assert (named.shoot, named.source, named.roll) == (SHOOT, *name)
    assert named_by_wish(wish, "other/folder/of/another/depth") is None


@pytest.mark.parametrize(
    "folder",
    ["260612 Boatyard/Raw/1/2", "260612 Boatyard/Other/1", "June/Raw/1", "260612 Boatyard/Raw/1:2",
     "260612 Boatyard/Raw/2"],
)  # fmt: skip
def test_a_folder_of_another_shape_is_not_named(folder: str) -> None:
    wish = AdoptWish(place="Main", layout="{shoot}/Raw/1{roll}", source="B")
    assert named_by_wish(wish, folder) is None


@pytest.mark.parametrize(
    "wish",
    [
        AdoptWish(place="Main", source="Wide"),
        AdoptWish(place="Main", shoot="June", source="Wide", roll="1"),
        AdoptWish(place="Main", layout="{shoot}/{roll}"),
        AdoptWish(place="Main", layout="{shoot}/{source}/{roll}", roll="1"),
        AdoptWish(place="Main", layout="{shoot}/{source}/{roll}/{roll}"),
        AdoptWish(place="Main", layout="{shoot}/{source}{roll}"),
        AdoptWish(place="Main", layout="{shoot}//{source}/{roll}"),
        AdoptWish(place="Main", layout="{shoot}/{camera}/{roll}", source="Wide"),
    ],
)
def test_half_a_name_or_a_wrong_pattern_is_refused(wish: AdoptWish) -> None:
    with pytest.raises(UsageError):
        validate_wish(wish)


@given(PATHS)
def test_whatever_a_drive_calls_its_folders_only_names_that_can_be_used_come_out(path: str) -> None:
    wish = AdoptWish(place="Main", layout="{shoot}/{source}/{roll}")
    for named in (named_by_dates(path), named_by_wish(wish, path)):
        if named is not None:
            assert validate_shoot(named.shoot) == named.shoot
            assert validate_part(named.source) == named.source
            assert validate_part(named.roll) == named.roll
    assert why_not_named(path)
    assert suggested(path)[0] == "--layout"


@given(
    st.integers(0, 99), st.integers(1, 12), st.integers(1, 28), st.sampled_from(["", "-", "_", "."])
)
def test_every_way_to_write_a_date_is_the_same_shoot(y: int, m: int, d: int, sep: str) -> None:
    plain = f"{y:02}{m:02}{d:02} Boatyard"
    assert dated(f"{y:02}{sep}{m:02}{sep}{d:02} Boatyard") == plain
    assert dated(f"20{y:02}{sep}{m:02}{sep}{d:02}_Boatyard") == plain


def test_well_is_only_where_nothing_is_left_to_see_to() -> None:
    named = Named(shoot=SHOOT, source="Wide", roll="1", why=BY_DATES)
    roll = FoundRoll(folder="a", named=named, files=1, clips=1, size_bytes=1)
    known = FoundRoll(
        folder="b", named=named, files=1, clips=1, size_bytes=1, known="a roll already"
    )
    odd = FoundFolder(folder="c", why="?", files=1, size_bytes=1)
    plan = AdoptPlan(place="Main", path="", rolls=(roll, known))
    assert plan.new == (roll,)
    assert AdoptAll(plan=plan, dry_run=True).all_well
    assert not AdoptAll(plan=AdoptPlan(place="Main", path=""), dry_run=True).all_well
    assert not AdoptAll(
        plan=AdoptPlan(place="Main", path="", rolls=(roll,), unplaced=(odd,)), dry_run=True
    ).all_well
    failed = Trouble(place="Main", path="a", message="no")
    assert not AdoptAll(plan=plan, dry_run=False, failed=(failed,)).all_well
