"""Rules of what hurt bytes of a clip are, on made-up clips of every shape; and the rules by example.

That the rules are true of real clips is tried where there is a decoder (tests/cards).
"""

import pytest
from hypothesis import given, strategies as st

from backupkeeper.core.clip_harm import (
    APART,
    DATA,
    PADDING,
    PICTURE,
    SHORTEST,
    SOUND,
    ClipHarm,
    Near,
    Packet,
    Spans,
    harm_of,
    not_understood,
)
from backupkeeper.core.ranges import Ranges, common, merged, without

A_PICTURE = 0.04
EXACT = 1e-9


def pictures(order: str, *, at: int = 1000, size: int = 10) -> list[Packet]:
    """Packets in storage order: ``I0 P3 B1``; each ten bytes, shown at so many twenty-fifths."""
    return [
        Packet(
            stream=0,
            begin=at + number * size,
            end=at + (number + 1) * size,
            time=int(word[1:]) * A_PICTURE,
            duration=A_PICTURE,
            is_key=word[0] == "I",
        )
        for number, word in enumerate(order.split())
    ]


def shown(spans: Spans) -> list[tuple[int, int]]:
    """Spans in pictures."""
    return [(round(begin / A_PICTURE), round(end / A_PICTURE)) for begin, end in spans]


CLOSED = "I0 P3 B1 B2 P5 B4 I6 P9 B7 B8 I10 P11"
OPEN = "I2 B0 B1 P5 B3 B4 I8 B6 B7 P11 B9 B10 I14 B12 B13"
ALL_KEYS = "I0 I1 I2 I3"


@pytest.mark.parametrize(
    ("order", "hurt", "named"),
    [
        (CLOSED, "I0", [(0, 6)]),
        (CLOSED, "P3", [(1, 6)]),
        (CLOSED, "B1", [(1, 6)]),
        (CLOSED, "P5", [(4, 6)]),
        (CLOSED, "B4", [(4, 6)]),
        (CLOSED, "I6", [(6, 10)]),
        (CLOSED, "B8", [(8, 10)]),
        (CLOSED, "P11", [(11, 12)]),
        (OPEN, "I2", [(0, 8)]),
        (OPEN, "P5", [(3, 8)]),
        (OPEN, "B4", [(4, 8)]),
        (OPEN, "I8", [(6, 14)]),
        (OPEN, "B10", [(10, 14)]),
        (OPEN, "B13", [(13, 15)]),
        ("I0 P2 B1 I4 B3", "P2", [(1, 4)]),
        ("I0 P2 I4 B1 B3", "P2", [(1, 4)]),
        (ALL_KEYS, "I2", [(2, 3)]),
        (ALL_KEYS, "I3", [(3, 4)]),
    ],
)
def test_harm_to_pictures_lasts_from_the_earliest_that_may_lean_on_it_to_the_next_key(
    order: str, hurt: str, named: list[tuple[int, int]]
) -> None:
    at = 1000 + order.split().index(hurt) * 10
    harm = harm_of([PICTURE], pictures(order), ((at + 9, at + 10),))
    assert shown(harm.streams[0].spans) == named
    assert harm.index == ()


def test_two_hurt_groups_are_two_spans_and_neighbours_are_one() -> None:
    apart = harm_of([PICTURE], pictures(CLOSED), ((1000, 1001), (1105, 1106)))
    assert shown(apart.streams[0].spans) == [(0, 6), (10, 12)]
    beside = harm_of([PICTURE], pictures(CLOSED), ((1000, 1001), (1060, 1061)))
    assert shown(beside.streams[0].spans) == [(0, 10)]


def test_a_key_picture_that_is_shown_before_what_it_follows_ends_harm_by_no_time_of_its_own() -> (
    None
):
    harm = harm_of([PICTURE], pictures("I0 P5 I2 P3"), ((1010, 1011),))
    assert shown(harm.streams[0].spans) == [(5, 6)]


def sounds(*times: tuple[float, float]) -> list[Packet]:
    """Packets of ten bytes: time and duration."""
    return [
        Packet(stream=0, begin=n * 10, end=n * 10 + 10, time=time, duration=lasts)
        for n, (time, lasts) in enumerate(times)
    ]


def test_harm_to_sound_is_the_packet_s_own_time() -> None:
    packets = sounds((0, 1), (1, 1), (2, 1), (3, 1))
    assert harm_of([SOUND], packets, ((15, 16),)).streams[0].spans == ((1, 2),)
    assert harm_of([SOUND], packets, ((15, 21), (39, 40))).streams[0].spans == ((1, 4),)


def test_coded_sound_is_hurt_in_its_echo_too_but_not_beyond_the_clip() -> None:
    packets = [
        Packet(stream=0, begin=n * 10, end=n * 10 + 10, time=n, duration=1, echo=1)
        for n in range(4)
    ]
    assert harm_of([SOUND], packets, ((0, 1),)).streams[0].spans == ((0, 2),)
    assert harm_of([SOUND], packets, ((39, 40),)).streams[0].spans == ((3, 4),)


@pytest.mark.parametrize(
    ("times", "hurt", "named"),
    [
        ([0, 1, 2], 1, (1, 2)),
        ([0, 1, 1, 2], 1, (1, 2)),
        ([0, 1], 1, (1 - SHORTEST, 1)),
        ([0, 0], 0, (0, SHORTEST)),
        ([0], 0, (0, SHORTEST)),
    ],
)
def test_a_packet_that_does_not_say_how_long_it_lasts_lasts_until_the_next(
    times: list[float], hurt: int, named: tuple[float, float]
) -> None:
    packets = sounds(*((time, 0) for time in times))
    harm = harm_of([DATA], packets, ((hurt * 10, hurt * 10 + 1),))
    (span,) = harm.streams[0].spans
    assert span == pytest.approx(named)


def test_what_players_leave_out_at_the_start_is_told_as_the_beginning() -> None:
    harm = harm_of([SOUND], sounds((-2, 1), (-1, 1), (0, 1)), ((0, 1),))
    assert harm.streams[0].spans == ((0, SHORTEST),)


def test_every_stream_is_listed_and_numbered_by_its_kind() -> None:
    harm = harm_of([PICTURE, SOUND, SOUND, DATA, PICTURE], [], ())
    assert [(one.kind, one.number) for one in harm.streams] == [
        (PICTURE, 1), (SOUND, 1), (SOUND, 2), (DATA, 1), (PICTURE, 2),
    ]  # fmt: skip
    assert (harm.opened, harm.sure, harm.why) == (True, True, "")


def test_hurt_bytes_outside_of_packets_are_the_index_s_and_padding_is_told_apart() -> None:
    padding = Packet(stream=PADDING, begin=1120, end=1150)
    harm = harm_of([PICTURE], [*pictures(CLOSED), padding], ((0, 2), (990, 1001), (1110, 1160)))
    assert harm.index == ((0, 2), (990, 1000), (1150, 1160))
    assert harm.padding == ((1120, 1150),)


def test_what_was_not_understood_calls_nothing_unharmed() -> None:
    harm = not_understood(((0, 5),), "it is a riddle")
    assert (harm.opened, harm.sure, harm.index, harm.why) == (
        False,
        False,
        ((0, 5),),
        "it is a riddle",
    )


def test_very_many_pieces_are_gathered_in_little_room_and_none_is_lost() -> None:
    count = 45_000
    packets = [
        Packet(stream=0, begin=n * 4 + 1, end=n * 4 + 4, time=n / 100, duration=0.01)
        for n in range(count)
    ]
    harm = harm_of([SOUND], packets, ((0, count * 4),))
    assert harm.index == tuple((n * 4, n * 4 + 1) for n in range(count))
    (span,) = harm.streams[0].spans
    assert span == pytest.approx((0, count / 100))


SIZE = 300
times = st.integers(-20, 200).map(lambda one: one / 20)
packets_of = st.lists(
    st.builds(
        lambda stream, begin, size, time, lasts, echo, is_key: Packet(
            stream=stream, begin=begin, end=begin + size, time=time, duration=lasts, echo=echo,
            is_key=is_key,
        ),
        st.sampled_from([0, 1, 2, PADDING]),
        st.integers(0, SIZE),
        st.integers(0, 40),
        times,
        st.sampled_from([0.0, -1.0, 1e-5, 0.04, 0.05, 2.0]),
        st.sampled_from([0.0, 0.02]),
        st.booleans(),
    ),
    max_size=25,
)  # fmt: skip
hurt_bytes = st.lists(
    st.tuples(st.integers(0, SIZE + 50), st.integers(1, 60)).map(
        lambda one: (one[0], one[0] + one[1])
    ),
    max_size=6,
).map(merged)
KINDS = (PICTURE, SOUND, DATA)


def is_covered(spans: Spans, begin: float, end: float) -> bool:
    """Whether a time lies within one of the spans, rounding aside."""
    return any(first - EXACT <= begin and end <= last + EXACT for first, last in spans)


def own_time(packet: Packet, length: float) -> tuple[float, float]:
    """The part of a packet's time that lies in the clip."""
    begin = min(max(0.0, packet.time), length)
    return begin, min(max(begin, packet.time + max(0.0, packet.duration)), length)


@given(packets=packets_of, ranges=hurt_bytes)
def test_spans_are_in_order_merged_longer_than_nothing_and_within_the_clip(
    packets: list[Packet], ranges: Ranges
) -> None:
    length = max(
        [
            SHORTEST,
            *(one.time + max(0.0, one.duration) for one in packets if one.stream is not None),
        ]
    )
    for stream in harm_of(KINDS, packets, ranges).streams:
        edges = [edge for span in stream.spans for edge in span]
        assert all(0 <= edge <= length for edge in edges)
        assert all(begin < end for begin, end in stream.spans)
        assert all(
            after[0] - before[1] > APART
            for before, after in zip(stream.spans, stream.spans[1:], strict=False)
        )


@given(packets=packets_of, ranges=hurt_bytes)
def test_every_hurt_packet_s_own_time_is_named_and_no_hurt_byte_is_lost(
    packets: list[Packet], ranges: Ranges
) -> None:
    harm = harm_of(KINDS, packets, ranges)
    length = max(
        [0.0, *(one.time + max(0.0, one.duration) for one in packets if one.stream is not None)]
    )
    for packet in packets:
        if packet.stream is not None and common(ranges, merged([(packet.begin, packet.end)])):
            spans = harm.streams[packet.stream].spans
            assert spans
            assert is_covered(spans, *own_time(packet, length))
    held = merged((one.begin, one.end) for one in packets if one.stream is not PADDING)
    outside = without(ranges, held)
    assert merged([*harm.index, *harm.padding]) == outside
    assert common(harm.index, harm.padding) == ()
    filling = merged((one.begin, one.end) for one in packets if one.stream is PADDING)
    assert harm.padding == common(outside, filling)


@given(packets=packets_of, ranges=hurt_bytes)
def test_a_stream_without_a_hurt_packet_is_unharmed(packets: list[Packet], ranges: Ranges) -> None:
    harm = harm_of(KINDS, packets, ranges)
    for number, stream in enumerate(harm.streams):
        held = merged((one.begin, one.end) for one in packets if one.stream == number)
        assert bool(stream.spans) is bool(common(ranges, held))


def grew(small: ClipHarm, large: ClipHarm) -> bool:
    """Whether all that was harm still is."""
    return all(
        is_covered(after.spans, *span)
        for before, after in zip(small.streams, large.streams, strict=True)
        for span in before.spans
    )


@given(packets=packets_of, ranges=hurt_bytes, more=hurt_bytes)
def test_more_hurt_bytes_never_mean_less_harm(
    packets: list[Packet], ranges: Ranges, more: Ranges
) -> None:
    small, large = (harm_of(KINDS, packets, one) for one in (ranges, merged([*ranges, *more])))
    assert grew(small, large)
    assert common(small.index, large.index) == small.index


@given(packets=packets_of, one=hurt_bytes, begin=st.integers(0, SIZE), size=st.integers(0, 50))
def test_whether_bytes_are_near_hurt_ones_is_what_comparing_each_says(
    packets: list[Packet], one: Ranges, begin: int, size: int
) -> None:
    found = Near(one).first(begin, begin + size)
    shared = [n for n, (first, end) in enumerate(one) if max(first, begin) < min(end, begin + size)]
    assert found == (shared[0] if shared else None)
