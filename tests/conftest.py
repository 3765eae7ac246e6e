"""Before any test: linear algebra on one thread, as results.analysis.one_thread has it and for its reason."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from results.analysis.one_thread import one_thread


@pytest.fixture(autouse=True, scope="session")
def _one_thread() -> Iterator[None]:
    with one_thread():
        yield
