"""A restore in words, as an object, and as an exit code."""

import json
from dataclasses import replace
from decimal import Decimal

import pytest
from click.testing import CliRunner

from backupkeeper.cli.main import main
from backupkeeper.config import parse_config
from backupkeeper.core.errors import ConfigError
from backupkeeper.core.outcomes import Trouble
from backupkeeper.core.prices import BucketCost, Held
from backupkeeper.core.restoring import Fate, NotThere, Portion, RestoreOutcome, RestorePlan
from backupkeeper.report import exits
from backupkeeper.report.costs import cost_lines
from backupkeeper.report.lines import Line, Look
from backupkeeper.report.restore import plan_lines, restore_json, restore_lines
from tests.cli.hand_keeper import HandKeeper

MAIN = Portion(place="Main", is_bucket=False, files=2, size_bytes=10**9, cost=Decimal(0))
OFF_SITE = Portion(
    place="Off site",
    is_bucket=True,
    files=3,
    size_bytes=2 * 10**9,
    seconds=7200.0,
    cost=Decimal("0.1801"),
    requests=7,
    asleep_files=1,
    asleep_bytes=10**9,
)
PLAN = RestorePlan(
    what="260612 Boatyard",
    to="/media/me/NEW DRIVE",
    files=6,
    size_bytes=3 * 10**9,
    portions=(MAIN, OFF_SITE),
    there_files=1,
    there_bytes=5,
    other=("a\x1b.MP4",),
    homeless=tuple(f"b{n}.MP4" for n in range(30)),
    away=("Travel is not here.",),
    needed_bytes=10,
    free_bytes=20,
    currency="EUR",
)
DONE = RestoreOutcome(plan=PLAN, done=True, restored_files=5, restored_bytes=10, seconds=3)


def text(lines: list[Line]) -> str:
    told = "\n".join(line.text for line in lines)
    assert "\x1b" not in told
    return told


def test_everything_is_said_before() -> None:
    told = text(plan_lines(PLAN, Look(width=60)))
    for part in (
        "2 files, 1.00 GB from Main",
        "0.18 EUR",
        "2 h 00 min",
        "must be thawed",
        "Travel",
    ):
        assert part in " ".join(told.split()), part
    assert "b29.MP4" not in told
    assert "There is no room" in text(plan_lines(replace(PLAN, free_bytes=1), Look()))
    unknown = replace(PLAN, portions=(replace(OFF_SITE, cost=None),))
    assert "not known" in text(plan_lines(unknown, Look()))
    assert "cost" not in text(plan_lines(replace(PLAN, portions=(MAIN,)), Look()))


MISSED = tuple(
    NotThere(path=f"{fate.name}.MP4", size=9, fate=fate, why="why", lost=((0, 4),)) for fate in Fate
)


def test_what_came_of_it_is_said_and_what_is_not_there_is_named() -> None:
    outcome = replace(
        DONE,
        not_there=MISSED,
        kept_files=1,
        taken={"Main": 10},
        renamed=(("a:b", "a%3Ab"),),
        not_cold="It is a network share.",
        come_again="Later.",
        notes=("A note.",),
        histories=("x",),
        troubles=(Trouble(place="Main", path="", message="gone"),),
    )
    told = text(restore_lines(outcome, Look(width=100)))
    for part in (
        "not all proven",
        *(f"{fate.name}.MP4" for fate in Fate),
        "a%3Ab",
        "network share",
    ):
        assert part in told, part
    assert "Later." in told
    assert "A note." in told
    assert 'verify "/media/me/NEW DRIVE"' in told or "verify '/media/me/NEW DRIVE'" in told
    assert "each read back" in text(restore_lines(DONE, Look()))
    assert text(restore_lines(replace(DONE, done=False), Look())) == "Nothing was done."


def test_the_object_has_money_as_text_and_null_where_it_is_not_known() -> None:
    told = restore_json(DONE)
    assert told["plan"]["cost"] == "0.1801"  # type: ignore[index]  # an object in an object
    unknown = replace(PLAN, portions=(replace(OFF_SITE, cost=None),))
    assert restore_json(replace(DONE, plan=unknown))["plan"]["cost"] is None  # type: ignore[index]  # as above


@pytest.mark.parametrize(
    ("outcome", "code"),
    [
        (DONE, 0),
        (replace(DONE, done=False), 0),
        (replace(DONE, not_cold="warm"), 1),
        (replace(DONE, notes=("x",)), 1),
        (replace(DONE, troubles=(Trouble(place="Main", path="a", message="x"),)), 1),
        (replace(DONE, troubles=(Trouble(place="Main", path="", message="x"),)), 3),
        *(
            (replace(DONE, not_there=(one,)), 1 if one.fate in {Fate.OTHER, Fate.LOST} else 3)
            for one in MISSED
        ),
        (replace(DONE, not_there=MISSED), 1),
    ],
)
def test_it_exits_0_only_where_all_of_it_is_there(outcome: RestoreOutcome, code: int) -> None:
    assert exits.of_restore(outcome) == code


def test_without_a_terminal_costs_want_the_persons_word() -> None:
    def typed(*more: str, plan: RestorePlan = PLAN) -> int:
        keeper = HandKeeper(answer=replace(DONE, plan=plan))
        words = ("restore", "260612 Boatyard", "--to", "/x", *more)
        return CliRunner().invoke(main, words, obj=keeper.session()).exit_code

    assert typed() == 2
    assert typed("--json") == 2
    assert typed("--yes") == 0
    assert typed("--dry-run") == 0
    assert typed(plan=replace(PLAN, portions=(MAIN,))) == 0
    assert typed("--tier", "Bulk", "--wait", "--yes") == 0
    assert typed("--tier", "Now") == 2


PRICED = """
[prices]
currency = "EUR"
month_gb = { STANDARD = "0.023", GLACIER = 0.0036 }
fetch_gb = 0
take_gb = { GLACIER = "0.01" }
requests_1000 = "0.4"
"""


def test_prices_are_read_exactly() -> None:
    prices = parse_config(PRICED, "c.toml", home="/h", state_home="/s").prices
    assert prices.month_gb == {"STANDARD": Decimal("0.023"), "GLACIER": Decimal("0.0036")}
    assert (prices.fetch_gb, prices.requests_1000) == (Decimal(0), Decimal("0.4"))
    assert not parse_config("", "c.toml", home="/h", state_home="/s").prices.are_there


@pytest.mark.parametrize(
    "line",
    [
        "fetch_gb = -1",
        'fetch_gb = "cheap"',
        "fetch_gb = true",
        "fetch_gb = nan",
        'fetch_gb = "1e9"',
        "month_gb = 3",
        'month_gb = { "a b" = "1" }',
        "month_gb = { STANDARD = [] }",
        "currency = 3",
        "gb = 1",
    ],
)
def test_a_wrong_price_is_a_fault(line: str) -> None:
    with pytest.raises(ConfigError, match="prices"):
        parse_config(f"[prices]\n{line}\n", "c.toml", home="/h", state_home="/s")


COSTS = (
    BucketCost(
        name="Off site",
        held=(
            Held(shelf="", objects=2, size_bytes=10**9),
            Held(shelf="GLACIER", objects=1, size_bytes=5),
        ),
        currency="EUR",
        a_month=Decimal("0.02"),
        to_fetch=None,
    ),
    BucketCost(name="Far", held=(), currency="", trouble="Nothing answers."),
)


def test_what_buckets_cost_is_told_as_far_as_it_is_known() -> None:
    told = text(cost_lines(COSTS, Look(width=200)))
    for part in (
        "STANDARD: 2 objects, 1.00 GB",
        "GLACIER",
        "0.02 EUR",
        "not known",
        "Nothing answers",
    ):
        assert part in told, part
    assert "There is no bucket" in text(cost_lines((), Look()))
    done = CliRunner().invoke(
        main, ("place", "cost", "--json"), obj=HandKeeper(answer=COSTS).session()
    )
    assert done.exit_code == 3
    (one, far) = json.loads(done.stdout)["buckets"]
    assert (one["a_month"], one["to_fetch_all"], one["classes"][0]["class"]) == (
        "0.02",
        None,
        "STANDARD",
    )
    assert far["trouble"] == "Nothing answers."
    assert exits.of_costs(COSTS[:1]) == 0
