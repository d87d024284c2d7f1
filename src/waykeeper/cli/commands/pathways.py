"""`waykeeper pathways`."""

from __future__ import annotations

from waykeeper.cli.errors import DONE
from waykeeper.cli.session import end, put


def pathways() -> None:
    """List the pathways of the library."""

    def work() -> int:
        from waykeeper import verbs

        for entry in verbs.pathways():
            put(f"{entry.name} {entry.version}  {entry.title}, {entry.items} items\n")
        return DONE

    end(work)
