"""What the tests of the pipeline share."""

import pytest

from backupkeeper.transfer import batches


@pytest.fixture(params=["small", "large"])
def sizes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Everything holds for files in batches and for files on their own."""
    if request.param == "large":
        monkeypatch.setattr(batches, "LARGE_BYTES", 1_000)
    return str(request.param)
