"""Before any test: linear algebra on one thread (see results.analysis.one_thread), steady random examples."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import settings

from results.analysis.one_thread import one_thread

# The same examples on every machine, and no failure because a machine is busy.
settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(autouse=True, scope="session")
def _one_thread() -> Iterator[None]:
    with one_thread():
        yield
