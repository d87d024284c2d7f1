"""`waykeeper demo`."""

from __future__ import annotations

from typing import Annotated

import typer

from waykeeper.cli.session import end


def demo(
    output: Annotated[str, typer.Option("--output", help="Folder for what the demo makes.")] = "build/demo",
) -> None:
    """Run the whole job for an invented patient, by the commands that anybody would type."""

    def work() -> int:
        from waykeeper.cli.demo import demo as play
        from waykeeper.cli.main import main
        from waykeeper.verbs import words

        words.needed(output, "--output", "FOLDER")
        return play(output, main)

    end(work)
