"""What to do, and doing it in order: plan, bench file, sequence, run, safety, command line."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from pathlib import Path

ROOMS = ("drivers", "procedures", "results")


def hidden_rooms(house: Path) -> list[str]:
    """One line for each room that `import` would take from somewhere else than this house, or not find.

    The rooms are imported by their plain names, so that a package of the same name earlier on the path hides them.
    """
    lines = []
    for room in ROOMS:
        own = house / room / "__init__.py"
        spec = find_spec(room)
        origin = None if spec is None else spec.origin or str(next(iter(spec.submodule_search_locations or ()), room))
        if origin is None:
            lines.append(f"stuckpin: package {room}: not found, expected {own}")
        elif Path(origin).resolve() != own.resolve():
            lines.append(f"stuckpin: package {room}: {origin} hides {own}; give stuckpin an environment of its own")
    return lines


def _require_own_rooms() -> None:
    hidden = hidden_rooms(Path(__file__).parent.parent)
    if not hidden:
        return
    # Whoever runs the command gets the line and the status of a wrong command line; whoever imports, an ImportError.
    if Path(sys.argv[0]).stem in ("stuckpin", "-m"):
        sys.stderr.write("\n".join(hidden) + "\n")
        raise SystemExit(2)
    raise ImportError("\n".join(hidden))


_require_own_rooms()
