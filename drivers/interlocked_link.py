"""A link that passes nothing on before an interlock has let it through: the last place before the wire."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from drivers.link import Link
from drivers.passing_link import PassingLink


class InterlockedLink(PassingLink):
    """A Link. Every message is sent inside of `passing(message)`, which raises LimitError where it may not be sent;
    nothing is sent then."""

    def __init__(self, link: Link, passing: Callable[[str], AbstractContextManager[None]]) -> None:
        super().__init__(link)
        self._passing = passing

    def _around(self, message: str, timeout_s: float | None) -> AbstractContextManager[None]:
        return self._passing(message)
