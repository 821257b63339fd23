"""What is made of smartctl's answers: right, refused, nonsense and hostile.

Bits of the exit status: smartctl(8), EXIT STATUS.
"""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.trends import SmartSigns
from backupkeeper.drives.smart_answer import (
    ASLEEP,
    FORETOLD,
    MOST_BYTES,
    NO_NONSENSE,
    NOT_ALLOWED,
    NOT_ASKED,
    SELF_TEST,
    TELLS_NOTHING,
    TOO_HOT,
    WARNS,
    SmartAnswer,
    understood,
)
from tests.drives.smart_said import (
    EVERYTHING,
    NVME,
    SCSI,
    SCSI_FAILING,
    SCSI_HOT,
    Said,
    nvme,
    printed,
    refused,
)

AT = datetime(2026, 6, 20, 12, tzinfo=UTC)


def signs(said: object, status: int = 0) -> SmartSigns:
    answer = understood(printed(said), status, AT)
    assert answer.signs is not None, answer
    assert answer.why_not == ""
    return answer.signs


def why_not(said: object, status: int = 0) -> str:
    answer = understood(printed(said), status, AT)
    assert answer.signs is None, answer
    return answer.why_not


def ata(*rows: Said) -> Said:
    """An ATA drive with these attributes."""
    return {"smart_status": {"passed": True}, "ata_smart_attributes": {"table": list(rows)}}


def row(number: object, value: object = 0, string: object = None, **more: object) -> Said:
    return {"id": number, "raw": {"value": value, "string": string}, **more}


def test_an_nvme_drive_is_understood() -> None:
    assert signs(NVME) == SmartSigns(
        passed=True,
        pending=None,
        reallocated=None,
        uncorrectable=None,
        cable_errors=None,
        media_errors=3,
        wear_percent=7,
        power_on_hours=4321,
        critical=(),
        at=AT,
    )


def test_a_scsi_drive_is_understood_though_some_command_failed() -> None:
    assert signs(SCSI, 0b100) == SmartSigns(
        passed=True,
        pending=2,
        reallocated=5,
        uncorrectable=None,
        cable_errors=None,
        media_errors=12,
        wear_percent=None,
        power_on_hours=4321,
        critical=(),
        at=AT,
    )


def test_a_hot_drive_is_not_a_failing_one_though_smartctl_says_failed() -> None:
    hot = signs(nvme(critical_warning=0x02), 0b1000)
    assert (hot.passed, hot.critical, hot.warnings) == (True, (), (TOO_HOT,))
    hot = signs(SCSI_HOT, 0b1100)
    assert (hot.passed, hot.critical, hot.warnings) == (None, (), (TOO_HOT,))


def test_a_drive_that_warns_of_its_checks_is_to_be_watched() -> None:
    said = {**SCSI, "smart_status": {"passed": False, "scsi": {"asc": 11, "ascq": 3}}}
    assert signs(said, 0b1100).warnings == (WARNS,)


@pytest.mark.parametrize("bit", [0x01, 0x04, 0x08, 0x10, 0x20])
def test_each_other_alarm_of_an_nvme_drive_is_a_reason(bit: int) -> None:
    found = signs(nvme(critical_warning=bit | 0x02), 0b1000)
    assert (found.passed, len(found.critical), found.warnings) == (False, 1, (TOO_HOT,))


def test_a_failing_drive_is_failing_by_its_word_or_by_the_exit_status() -> None:
    assert signs(SCSI_FAILING, 0b1100).passed is False
    assert signs(SCSI, 0b1100).passed is False
    assert signs({"smart_status": {"passed": False}}).passed is False
    assert signs({}, 0b1000).passed is False


def test_values_that_foretell_failures_count_though_no_table_came() -> None:
    assert signs({}, 0b1_0000).critical == (FORETOLD,)


def test_failed_tests_of_its_own_are_to_be_watched() -> None:
    assert signs({}, 0b1000_0000).warnings == (SELF_TEST,)
    assert signs(SCSI, 0b0110_0000).warnings == ()


def test_the_attributes_of_an_ata_drive_are_known_by_their_numbers() -> None:
    found = signs(ata(*(row(n, at, str(at)) for at, n in enumerate((5, 187, 197, 198, 199), 1))))
    assert (found.reallocated, found.media_errors, found.pending) == (1, 2, 3)
    assert (found.uncorrectable, found.cable_errors) == (4, 5)


@pytest.mark.parametrize(
    ("value", "string", "told"),
    [
        (12, "12", 12),
        (12 | 3 << 16, "12 (0 3)", 12),  # as smartctl 7.3 prints attribute 5
        (0, "0/4711", 0),
        (7, None, 7),
        (7, "0x000000000007", 7),
        (7, "7h+00m", 7),
        (7, "", 7),
        (2**32 - 1, "4294967295", 2**32 - 1),
        (2**32, "4294967296", None),
        (1 << 40, None, None),
        (5, "99999999999999999999", 5),
        (-1, None, None),
        (1.5, None, None),
        (True, None, None),
        ("7", 7, None),
        (None, None, None),
    ],
)
def test_a_raw_count_is_what_smartctl_makes_of_it_or_nothing(
    value: object, string: object, told: int | None
) -> None:
    assert signs(ata(row(197, value, string))).pending == told


def test_the_first_of_two_attributes_of_one_number_counts() -> None:
    assert signs(ata(row(197, 1, "1"), row(197, 9, "9"))).pending == 1


def test_limits_of_the_maker_are_told_by_what_they_mean() -> None:
    foretells, use = {"prefailure": True}, {"prefailure": False}
    found = signs(
        ata(
            row(5, when_failed="now", flags=foretells, name="Reallocated_Sector_Ct"),
            row(3, when_failed="past", flags=foretells, name="Spin_Up_Time"),
            row(9, when_failed="now", flags=use, name="\x1b[2J. Power (On)\u202e Hours" + "s" * 99),
            row(190, when_failed="past", flags=use, name="Airflow_Temperature_Cel"),
            row(7, when_failed="", flags=foretells),
            row(8, when_failed="now", flags="yes", name=8),
            row("9", when_failed="now", flags=foretells),
            row(None, when_failed="now", flags=foretells),
            row(256, when_failed="now", flags=foretells),
        ),
        0b11_0000,
    )
    assert found.critical == (
        (
            "Its attribute 5 (Reallocated_Sector_Ct), which foretells failures, is at the limit that "
            "its maker set."
        ),
    )
    assert found.warnings == (
        "Its attribute 3 (Spin_Up_Time), which foretells failures, was at its limit in the past.",
        f"Its attribute 9 (2JPowerOnHours{'s' * 18}) is at the limit that its maker set.",
        "Its attribute 8 is at the limit that its maker set.",
    )


def test_wear_and_hours_are_taken_from_wherever_they_stand() -> None:
    passed = {"smart_status": {"passed": True}}
    assert signs({**passed, "endurance_used": {"current_percent": 9}}).wear_percent == 9
    assert signs({**passed, "scsi_percentage_used_endurance_indicator": 8}).wear_percent == 8
    assert signs({**NVME, "power_on_time": None}).power_on_hours == 4321
    assert signs({**passed, "power_on_time": {"hours": 10**9}}).power_on_hours is None


def test_a_count_beyond_all_bounds_is_not_known() -> None:
    assert signs(nvme(media_errors=EVERYTHING)).media_errors is None


def test_a_log_of_ones_or_of_zeros_is_not_believed() -> None:
    log = NVME["nvme_smart_health_information_log"]
    assert why_not(nvme(**dict.fromkeys(log, 0))) == NO_NONSENSE
    assert why_not(nvme(critical_warning=0xFF), 0b1000) == NO_NONSENSE
    assert why_not(nvme(critical_warning=0x40), 0b1000) == NO_NONSENSE
    assert why_not({"nvme_smart_health_information_log": {"media_errors": 1}}) == NO_NONSENSE


def test_a_sleeping_drive_is_told_as_that() -> None:
    said = {"smartctl": {"messages": [{"string": "Device is in STANDBY mode, exit(3)"}]}}
    assert why_not(said, 3) == ASLEEP


def test_a_drive_that_must_not_be_asked_is_told_as_that() -> None:
    message = "Smartctl open device: /dev/sdb failed: Permission denied"  # seen, as another user
    assert why_not(refused(message), 2) == NOT_ALLOWED


def test_a_drive_that_cannot_be_asked_is_told_with_the_programs_words() -> None:
    assert why_not(refused("/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)]"), 1) == (
        f"{NOT_ASKED} (/dev/sdb: Unknown USB bridge [0x1234:0x5678 (0x100)])."
    )
    assert why_not({}, 2) == f"{NOT_ASKED}."
    assert why_not(refused("\x1b\u202e"), 2) == f"{NOT_ASKED}."
    assert why_not(refused("\x1b[31m" + "x" * 10_000), 2).isprintable()
    assert len(why_not(refused("x" * 10_000), 2)) < 300


def test_a_drive_that_tells_nothing_is_told_as_that() -> None:
    assert why_not({"smart_support": {"available": False}}, 4) == TELLS_NOTHING
    assert why_not({"power_on_time": {"hours": 5}}) == TELLS_NOTHING


@pytest.mark.parametrize(
    "output",
    [
        b"",
        b"null",
        b"[]",
        b"7",
        b'"passed"',
        b"{",
        b"\xff\xfe",
        b"[" * 100_000,
        b'{"a":' * 100_000,
        b'{"n": ' + b"9" * 5000 + b"}",
        b" " * MOST_BYTES + b"{}",
    ],
    ids=lambda output: repr(output[:12]),
)
def test_what_is_no_answer_is_not_believed(output: bytes) -> None:
    assert understood(output, 0, AT) == SmartAnswer(signs=None, why_not=NO_NONSENSE)


def test_a_program_that_was_killed_answered_nothing() -> None:
    assert why_not(NVME, -9) == f"{NOT_ASKED}."


KEYS = [
    "ascq",
    "asc",
    "ata_smart_attributes",
    "count",
    "critical_warning",
    "current_percent",
    "endurance_used",
    "flags",
    "hours",
    "id",
    "media_errors",
    "messages",
    "name",
    "nvme_smart_health_information_log",
    "passed",
    "percentage_used",
    "power_on_hours",
    "power_on_time",
    "prefailure",
    "raw",
    "read",
    "scsi",
    "scsi_error_counter_log",
    "scsi_grown_defect_list",
    "scsi_pending_defects",
    "smart_status",
    "smartctl",
    "string",
    "table",
    "total_uncorrected_errors",
    "value",
    "when_failed",
]
leaves = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.sampled_from([0, 5, 11, 187, 197, 198, 199, 255, 2**64, EVERYTHING])
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(["now", "past", "12 (0 3)", "Permission denied"])
)
trees = st.recursive(
    leaves,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=8)
    ),
    max_leaves=40,
)


def check(answer: SmartAnswer) -> None:
    """Signs or a reason; counts that are counts; sentences fit for any terminal."""
    found = answer.signs
    assert (found is None) == bool(answer.why_not)
    sentences = [answer.why_not]
    if found is not None:
        sentences += [*found.critical, *found.warnings]
        counts = (found.pending, found.reallocated, found.uncorrectable, found.cable_errors)
        more = (found.media_errors, found.wear_percent, found.power_on_hours)
        assert all(type(one) is int and one >= 0 for one in (*counts, *more) if one is not None)
        assert found.passed in {None, True, False}
    assert all(one.isascii() and (not one or one.isprintable()) for one in sentences)
    assert all(len(one) < 300 for one in sentences)


@given(st.dictionaries(st.sampled_from(KEYS), trees, max_size=12), st.integers(-20, 255))
def test_no_answer_of_the_right_words_breaks_anything(said: Said, status: int) -> None:
    check(understood(printed(said), status, AT))


@given(st.sampled_from([NVME, SCSI, SCSI_HOT, ata(row(5), row(197))]), st.data())
def test_no_answer_with_one_strange_value_breaks_anything(said: Said, data: st.DataObject) -> None:
    changed = json.loads(json.dumps(said))
    at = changed
    while True:
        key = data.draw(st.sampled_from(sorted(at) if isinstance(at, dict) else range(len(at))))
        if not isinstance(at[key], dict | list) or not at[key] or data.draw(st.booleans()):
            break
        at = at[key]
    at[key] = data.draw(trees)
    check(understood(printed(changed), data.draw(st.integers(0, 255)), AT))


@given(st.binary(max_size=200), st.integers(-20, 255))
def test_no_bytes_break_anything(output: bytes, status: int) -> None:
    check(understood(output, status, AT))
