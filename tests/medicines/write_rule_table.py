"""Write the generated table into the README of the medicines room."""

from __future__ import annotations

from pathlib import Path

from waykeeper.medicines import package_rules
from waykeeper.medicines.rule_table import with_table

README = Path(__file__).parents[2] / "src/waykeeper/medicines/README.md"

if __name__ == "__main__":
    README.write_text(with_table(README.read_text("utf-8"), package_rules()), "utf-8")
