"""Compile the YAML of the medicines room into its JSON, and write the generated table into its README."""

from __future__ import annotations

from pathlib import Path

from waykeeper.medicines.rule_table import with_table
from waykeeper.medicines.ruleset import rule_files, ruleset
from waykeeper.medicines.tables import COMPILED, compiled

ROOM = Path(__file__).parents[2] / "src/waykeeper/medicines"
README = ROOM / "README.md"

if __name__ == "__main__":
    (ROOM / "data" / COMPILED).write_bytes(compiled())
    # from the YAML: this process has read the compiled tables before they were written again
    rules = ruleset({file.name: file.read_text("utf-8") for file in rule_files()})
    README.write_text(with_table(README.read_text("utf-8"), rules), "utf-8")
