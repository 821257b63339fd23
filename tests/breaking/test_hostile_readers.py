"""Every reader of what comes from outside, on real examples that were made hostile.

Only an error of ours in plain words, or a right answer; in bounded time. Short in every run of the
tests, thousands of examples in ``make break``.
"""

from typing import Final

import pytest

from tests.breaking.hostile import tried, within
from tests.breaking.hostile_readers import READERS
from tests.breaking.mutating import mutated

A_READING_S: Final = 20.0
"""Of computing, for 64 kB at most: many times what any took."""


@pytest.mark.slow
@pytest.mark.timeout(0)
@pytest.mark.parametrize("name", READERS)
def test_whatever_is_read_only_our_errors_or_right_answers_come(name: str) -> None:
    reader = READERS[name]

    def check(data: bytes) -> None:
        with within(A_READING_S):
            reader(data)

    for example in reader.examples:
        check(example)
    tried(name, mutated(reader.examples), check, few=reader.few, again=f"only_our and {name}")
