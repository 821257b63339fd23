"""In which storage class an original goes: by the shoot's name and age, the first rule that holds."""

from datetime import date, timedelta

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.storage import ClassRule, shoot_date, storage_class

SHOOT = "260612 Boatyard"
DAY = date(2026, 6, 12)
OLD = ClassRule(storage_class="DEEP", older_than_days=365)
TESTS = ClassRule(storage_class="CHEAP", shoots="?????? test*")


def chosen(*rules: ClassRule, shoot: str = SHOOT, today: date = DAY, usual: str = "") -> str:
    return storage_class(rules, usual, shoot=shoot, today=today)


@pytest.mark.parametrize(
    ("shoot", "taken"),
    [
        (SHOOT, DAY),
        ("260612", DAY),
        ("261312 Boatyard", None),
        ("Boatyard", None),
        ("26061", None),
        ("٢٦٠٦١٢ Boatyard", None),
        ("2606²2 Boatyard", None),
        ("", None),
    ],
)
def test_a_shoot_is_as_old_as_its_name_says(shoot: str, taken: date | None) -> None:
    assert shoot_date(shoot) == taken


def test_without_a_rule_it_is_the_usual_class() -> None:
    assert chosen() == ""
    assert chosen(usual="COLD") == "COLD"
    assert chosen(TESTS, OLD, usual="COLD") == "COLD"


def test_the_first_rule_that_holds_counts() -> None:
    late = DAY + timedelta(days=366)
    assert chosen(TESTS, OLD, shoot="260612 Test of lenses") == "CHEAP"
    assert chosen(TESTS, OLD, today=late) == "DEEP"
    assert chosen(OLD, TESTS, shoot="260612 Test of lenses", today=late) == "DEEP"
    assert chosen(ClassRule(storage_class="", shoots="260612*"), OLD, usual="COLD") == ""


@given(st.integers(-400, 800))
def test_older_is_more_days_than_were_said(days: int) -> None:
    found = chosen(OLD, today=DAY + timedelta(days=days))
    assert found == ("DEEP" if days > 365 else "")


def test_a_shoot_without_a_date_is_of_no_age() -> None:
    assert chosen(OLD, shoot="Boatyard", today=date(2090, 1, 1)) == ""
    assert chosen(ClassRule(storage_class="COLD"), shoot="Boatyard") == "COLD"
