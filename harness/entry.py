"""Where `stuckpin` begins: a Ctrl-C that comes while it is still being loaded is one line too."""

from __future__ import annotations

import sys
from typing import NoReturn

INTERRUPTED = 4
"""As in harness.errors, which is not loaded yet."""


def main() -> NoReturn:
    """Load the command line, and carry it out."""
    try:
        from harness.cli import main as command
    except KeyboardInterrupt:
        sys.stderr.write("stuckpin: interrupted\n")
        sys.exit(INTERRUPTED)
    command()
