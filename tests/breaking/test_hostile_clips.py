"""Real clips made hostile, looked at by the real readers in processes of their own: a value, always.

What is hurt and what a poster shows is told, or that nobody could, and the readers end. (That they are held to
their memory and time: ``tests/cards/test_clips_hostile.py``, ``tests/cards/test_posters.py``.)
"""

import io
import json
from typing import Final

import pytest
from hypothesis import strategies as st

from backupkeeper.cards.clips import look_into
from backupkeeper.cards.posters import make_poster
from backupkeeper.core.posters import decode_poster, encode_poster
from backupkeeper.report.clips import clip_json, clip_words
from tests.breaking.hostile import tried
from tests.breaking.mutating import mutated
from tests.cards.made_up_clips import RECIPES, made

LONGEST: Final = 4 << 20


@pytest.mark.slow
@pytest.mark.timeout(0)
def test_whatever_a_clip_holds_it_ends_as_a_value() -> None:
    kinds = sorted(RECIPES)
    clips = {name: made(RECIPES[name]) for name in kinds}

    def check(example: tuple[str, bytes, bool]) -> None:
        kind, data, is_whole = example
        name = f"WIDE0007{RECIPES[kind].ending}"
        poster, _ = make_poster(lambda: io.BytesIO(data), name, "ab" * 32)
        assert poster is not None
        assert decode_poster(encode_poster(poster), "ab" * 32) == poster
        hurt = ((0, 8), (len(data) // 2, len(data) // 2 + 512))
        good = (lambda: io.BytesIO(clips[kind])) if is_whole else (lambda: io.BytesIO(data))
        harm = look_into(good, name, hurt)
        assert harm is not None
        assert clip_words(harm)
        json.dumps(clip_json(harm), allow_nan=False)

    examples = st.sampled_from(kinds).flatmap(
        lambda kind: st.tuples(
            st.just(kind), mutated([clips[kind]], most=6, longest=LONGEST), st.booleans()
        )
    )
    tried("clips", examples, check, few=6, share=0.02, again="whatever_a_clip", shrinks=False)
